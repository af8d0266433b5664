package e2e

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
)

// whoNeeds has a board note which pair has shown which signal, in its own words.
const whoNeeds = `(() => {
	globalThis.needed = {};
	setInterval(() => {
		for (const row of document.querySelectorAll('.b-row')) {
			const said = (needed[row.querySelector('.b-number').textContent] ??= {});
			said[row.dataset.tone] = (said[row.dataset.tone] ?? '') + '|' + row.querySelector('.b-main').textContent + ' ' + row.querySelector('.b-lead').textContent;
		}
	}, 100);
	return true;
})()`

// brokenWords are the words of names that do not stand on one line.
const brokenWords = `[...document.querySelectorAll('.b-diver, .b-buddy')].flatMap((n) => {
	const text = n.firstChild;
	return (text?.data.match(/\S+/g) ?? []).filter((word) => {
		const range = document.createRange();
		const from = text.data.indexOf(word);
		range.setStart(text, from);
		range.setEnd(text, from + word.length);
		return range.getClientRects().length !== 1;
	});
})`

// The demo on a phone and on a laptop: within two minutes of fast life the board
// has shown who needs a person and why, no name is broken, and each pair's row
// says that its phones are simulated.
func TestDemoShowsWhoNeedsAPerson(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startCommand(t, "demo", "-addr", "127.0.0.1:0", "-speed", "5")
	chromium := startBrowser(t, browserSetup{limit: boardLimit})
	wide := boardIn(t, chromium, server, 1280, 800, 6)
	eval[bool](t, wide.browser, whoNeeds)
	small := boardIn(t, chromium.newPerson(t), server, 390, 844, 6)
	for _, b := range []*board{wide, small} {
		b.failOnPageErrors(t)
		b.waitFor(t, "[...document.querySelectorAll('.b-voice')].every((n) => n.textContent === 'simulated')")
		b.says(t, "simulated people")
		b.picture(t, "they come")
		assert.Empty(t, eval[[]string](t, b.browser, brokenWords))
	}
	for _, sign := range []struct{ pair, tone, says string }{
		{"3", "gone", "not live 0:0"}, {"4", "alarm", "CHECK THEM"}, {"2", "alarm", "NO ANSWER"}, {"2", "alarm", "BLACKOUT"},
	} {
		wide.waitFor(t, fmt.Sprintf("needed[%s]?.%s?.includes('%s')", sign.pair, sign.tone, sign.says))
		for _, b := range []*board{wide, small} {
			b.picture(t, sign.says)
			assert.Empty(t, eval[[]string](t, b.browser, brokenWords))
		}
	}
	assert.LessOrEqual(t, eval[float64](t, wide.browser, "performance.now()"), 120_000.0)
}
