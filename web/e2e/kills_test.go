package e2e

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// kills is how often the server is killed in one hold:
//
//	go test ./web/e2e -run H08ServerKilled -kills 200 -timeout 30m -v
var kills = flag.Int("kills", 4, "how often the server is killed in a hold and started again; 200 take about ten minutes")

// recordsOn has a person record something every 300 ms, and answer the second
// call or the alarm, never at once.
const recordsOn = `(() => {
	let answering = false;
	let last = Date.now();
	globalThis.starved = false;
	globalThis.recording = setInterval(() => {
		const now = Date.now();
		if (now - last > 1000 || buddyclock.frame().sound.state !== 'proven') starved = true;
		last = now;
		buddyclock.record('contraction', { site: 'belly' });
		const s = buddyclock.frame().status;
		if (answering || !s.standing || s.standing.rung === 'prompt') return;
		answering = true;
		setTimeout(() => buddyclock.record('answered', null).then(() => { answering = false; }), 1500);
	}, 300);
	return true;
})()`

// acknowledged is an expression: the ids of events that the phone was told are
// on the server's disk.
const acknowledged = `new Promise((done, fail) => {
	const opening = indexedDB.open('buddyclock');
	opening.onerror = fail;
	opening.onsuccess = () => {
		const all = opening.result.transaction('events').objectStore('events').getAll();
		all.onsuccess = () => { opening.result.close(); done(all.result.filter((r) => r.state === 'stored').map((r) => r.id)); };
	};
})`

// The server is killed at any instant of a hold and started again on the same
// data, time after time: what it has acknowledged is on its disk, once, all
// else is delivered in the end, and every rung comes on time.
func TestH08ServerKilledInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := &phone{browser: startBrowser(t, browserSetup{limit: 2*time.Minute + time.Duration(*kills)*6*time.Second}), name: "kills"}
	p.joins(t, server.joinURL, "new", "buddy", "Odo")
	p.hears(t)
	pair, device := eval[string](t, p.browser, "buddyclock.frame().pair.pair"), eval[string](t, p.browser, "buddyclock.frame().me.device")
	// In the final stage from the first second on, and for long.
	p.plannedBefore(t, `{ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 60, end_by_s: 1200, cadence: 'standard', signal: 'squeeze', hears: [] }`)
	eval[string](t, p.browser, `buddyclock.record('start', null, { at: buddyclock.now() - 60000 }).then((e) => e.id)`)
	eval[bool](t, p.browser, `buddyclock.record('answered', null, { at: buddyclock.now() - 4000 }).then(() => true)`)
	p.hush(t)
	from := eval[int64](t, p.browser, "buddyclock.now()")
	eval[bool](t, p.browser, recordsOn)

	random := rand.New(rand.NewPCG(8, 8))
	seen := 0
	for n := range *kills {
		// At times in the midst of what it is sent after the last restart.
		if random.IntN(4) > 0 {
			p.waitFor(t, "buddyclock.frame().link.state === 'live'")
		}
		time.Sleep(time.Duration(random.IntN(1500)) * time.Millisecond)
		server.kill(t)
		acked := eval[[]string](t, p.browser, acknowledged)
		onDisk := idsIn(t, server.data, pair, device)
		for _, id := range acked {
			require.Equal(t, 1, onDisk[id], "kill %d: %s was acknowledged", n+1, id)
		}
		seen = len(acked)
		server = startProgram(t, server.data, server.addr)
	}
	eval[bool](t, p.browser, "(clearInterval(recording), true)")
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	to := eval[int64](t, p.browser, "buddyclock.now()")
	own := eval[[]string](t, p.browser, ownIDs)
	server.stop(t)
	onDisk := idsIn(t, server.data, pair, device)
	for _, id := range own {
		assert.Equal(t, 1, onDisk[id], id)
	}
	rungs, latest, unheard := p.onTime(t, eval[[]any](t, p.browser, "buddyclock.frame().hold.events"), from, to-3000)
	t.Logf("%d kills, %d events on disk, %d of them acknowledged before the last kill, %d rungs, the latest %d ms late", *kills, len(onDisk), seen, rungs, latest)
	assert.Positive(t, rungs)
	if eval[bool](t, p.browser, "starved") {
		t.Logf("the machine starved the page; not sounded: %s", unheard)
		return
	}
	assert.Empty(t, unheard)
	assert.LessOrEqual(t, latest, int64(rungLateMs))
}

// onTime holds what the phone sounded between two shared times against the
// rungs that were due by some of its events, as the rules in their other
// language have it. It gives how many these were, how late the latest was, and
// which were not heard.
func (p *phone) onTime(t testing.TB, events []any, from, to int64) (rungs int, latestMs int64, unheard string) {
	t.Helper()
	var hold *protocol.Hold
	for _, event := range events {
		text, err := json.Marshal(event)
		require.NoError(t, err)
		e, err := protocol.Decode(text)
		require.NoError(t, err)
		if hold == nil {
			hold = protocol.NewHold(e.Hold)
		}
		hold.Add(e)
	}
	for _, rung := range hold.TimelineAt(to) {
		if rung.At <= from || staysQuiet(hold, rung) {
			continue
		}
		rungs++
		off := fmt.Sprintf(`buddyclock.frame().hold.events.find((e) => e.kind === 'sounded' && e.data.rung === '%s' && e.data.due === %d &&
			e.id.startsWith(buddyclock.frame().me.device))?.data.off_ms`, rung.Rung, rung.At)
		// What was just sounded is recorded a tick or two later.
		if !p.soon(t, off+" !== undefined", 5*time.Second) {
			unheard += fmt.Sprintf("%s %s at %d; ", rung.Rung, rung.Asks, rung.At-from)
			continue
		}
		latestMs = max(latestMs, eval[int64](t, p.browser, off))
	}
	return rungs, latestMs, unheard
}

// staysQuiet tells whether a rung need not be heard: a prompt of the early stages
// is light first, and a rung that is met within 2 s gives way.
func staysQuiet(hold *protocol.Hold, rung protocol.Rung) bool {
	return slices.ContainsFunc(hold.Events(), func(e protocol.Event) bool {
		meets := e.Kind == "answered" || e.Kind == "look" || e.Kind == "recovered"
		return meets && e.At >= rung.At && e.At < rung.At+2300
	})
}

// idsIn counts the events of a device in a data folder that a killed server has
// left, by looking at a copy.
func idsIn(t testing.TB, data, pair, device string) map[string]int {
	t.Helper()
	dir := t.TempDir()
	for _, suffix := range []string{"-recent-a", "-recent-b", "-wal", ""} {
		content, err := os.ReadFile(filepath.Join(data, store.FileName+suffix))
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(dir, store.FileName+suffix), content, 0o600))
	}
	s, err := store.Open(dir, func() int64 { return time.Now().UnixMilli() })
	require.NoError(t, err)
	defer os.RemoveAll(dir)
	defer s.Close()
	bodies, err := s.Missing(context.Background(), pair, []string{device}, store.Counts{})
	require.NoError(t, err)
	ids := map[string]int{}
	for _, body := range bodies {
		e, err := protocol.Decode(body)
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(e.ID, device))
		ids[e.ID]++
	}
	return ids
}
