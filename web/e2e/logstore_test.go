package e2e

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// olderStore is an expression that makes the page's database as its second
// version had it, with these events, lines in `meta`, and a value to be kept.
const olderStore = `new Promise((done, fail) => {
	const opening = indexedDB.open('buddyclock', 2);
	opening.onerror = () => fail(opening.error);
	opening.onupgradeneeded = () => {
		const rows = opening.result.createObjectStore('events', { keyPath: 'id' });
		for (const [name, path] of [['pair', 'pair'], ['at', 'at'], ['hold', 'event.hold']]) rows.createIndex(name, path);
		opening.result.createObjectStore('meta');
	};
	opening.onsuccess = () => {
		const tx = opening.result.transaction(['events', 'meta'], 'readwrite');
		for (const line of %s.trim().split('\n')) {
			const event = JSON.parse(line);
			tx.objectStore('events').add({ id: event.id, pair: 'file:' + event.hold, at: event.at, event, state: 'stored' });
			tx.objectStore('meta').put({ v: 1, hold: event.hold, stale: true }, 'log:' + event.hold);
		}
		tx.objectStore('meta').put(1, 'log-version');
		tx.objectStore('meta').put({ diver_id: 'ansa1', name: 'Ansa', signal: 'one finger', number: '', hears: [], trained_on: null, lmc_on: null, blackout_on: null, remarks: 'asthma as a child', at: 5 }, 'profile:ansa1');
		tx.oncomplete = () => { opening.result.close(); done(true); };
		tx.onabort = () => fail(tx.error);
	};
})`

// The database of an older page opens without a loss: every event is there, the
// profile too, and the log says what the events say.
func TestH20AnOlderStoreOpensWithoutLoss(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	p := lonelyPhone(t) // a page that is none has no icon, which the browser takes for an error
	lines := inventedOutings(10, 4, time.Now())
	p.run(t, chromedp.Navigate("http://"+server.addr+"/healthz"))
	eval[bool](t, p.browser, fmt.Sprintf(olderStore, quoteJS(string(lines))))
	p.open(t, server.joinURL)
	p.waitFor(t, "buddyclock.log.whole() && buddyclock.log.lines().length === 40")
	assert.Equal(t, strings.Count(string(lines), "\n"), eval[int](t, p.browser, onDisk("stored")))
	assert.True(t, eval[bool](t, p.browser, "buddyclock.log.lines().every((l) => l.hold_ms > 100_000 && l.clean)"))
	assert.Equal(t, "asthma as a child", eval[string](t, p.browser, "buddyclock.log.profiles()[0].remarks"))
	assert.NotContains(t, eval[string](t, p.browser, everythingKept), "stale", "lines of the older page are gone")

	// What is closed in the middle and opened again says the same, from what is kept.
	p.waitFor(t, digestKept)
	said := "JSON.stringify([buddyclock.log.people(), buddyclock.log.expected({ id: 'ansa1', key: 'ansa' }, 'dry'), buddyclock.log.lines().length])"
	before := eval[string](t, p.browser, said)
	p.run(t, chromedp.Reload())
	p.waitFor(t, "globalThis.buddyclock?.log.whole()")
	require.Equal(t, before, eval[string](t, p.browser, said))
}

// quoteJS is a text as a literal of the page's language.
func quoteJS(text string) string {
	return "`" + strings.NewReplacer("\\", "\\\\", "`", "\\`", "$", "\\$").Replace(text) + "`"
}
