package e2e

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// boardLimit bounds a test of the board.
const boardLimit = 3 * time.Minute

var divers = []string{"Ansa", "Ilo", "Nils", "Tuva", "Rut", "Kaja", "Signe", "Orm", "Tyra", "Ylva", "Bo", "Embla"}

// Twelve pairs, and three alarms within five seconds: they stand on top in the
// order in which they came, with their numbers huge, one voice at a time says
// which pair it is for, and going to one quiets the board for that one alone.
func TestH14ThreeAlarmsAmongTwelvePairs(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), boardLimit)
	t.Cleanup(cancel)
	server := startProgram(t, "", "")
	pairs := make([]*boardPair, len(divers))
	for i, diver := range divers {
		pairs[i] = newBoardPair(t, server, diver, 40)
	}
	heard := listen(t, ctx)
	b := newBoard(t, server, 1280, 800, len(pairs), browserSetup{limit: boardLimit, env: heard.server})
	lookAll(t, pairs)
	b.waitFor(t, "[...document.querySelectorAll('.b-row')].every((n) => n.dataset.tone === 'calm')")
	// Who was asked last stands above the others for a while.
	b.waitFor(t, "[...document.querySelectorAll('.b-row .b-number')].map((n) => n.textContent).join() === '1,2,3,4,5,6,7,8,9,10,11,12'")
	b.picture(t, "twelve")
	// Nothing sounds before a touch; this one arms it.
	b.click(t, "document.querySelector('.b-title')", "buddyclock.sound.state().running")
	lookAll(t, pairs)

	from := heard.len()
	alarmed := []int{2, 7, 11}
	for _, number := range alarmed {
		pairs[number-1].say(t, "no-answer", 0, nil)
		time.Sleep(1200 * time.Millisecond) // people are not quicker
	}
	for _, number := range alarmed {
		b.tone(t, number, "alarm")
		require.GreaterOrEqual(t, eval[float64](t, b.browser, "parseFloat(getComputedStyle(("+rowOf(number)+").querySelector('.b-number')).fontSize)"), 100.0, "the number is huge")
	}
	assert.Equal(t, alarmed, b.order(t)[:3], "the oldest alarm first, all above the calm pairs")
	b.picture(t, "three alarms")
	b.says(t, "12 pairs in holds or watched at once")
	b.flashesTogether(t)

	calls := callsIn(heard.until(t, time.Now().Add(16*time.Second), from))
	load, _ := os.ReadFile("/proc/loadavg")
	t.Logf("heard %v; load %s", calls, strings.TrimSpace(string(load)))
	require.GreaterOrEqual(t, len(calls), 6)
	for i, number := range alarmed {
		assert.False(t, calls[i].high, "the first word of a pair is a medium signal")
		assert.Contains(t, numbersOf(calls), number, "each pair can be told by its knocks")
	}
	assert.True(t, slices.ContainsFunc(calls[3:], func(c call) bool { return c.high }), "then comes the high signal")

	// Going to one of them.
	b.click(t, "("+rowOf(7)+").querySelector('.b-go')", "buddyclock.frame().rows.find((r) => r.number === 7).met")
	b.waitFor(t, "document.querySelectorAll('.b-row .b-number')[2].textContent === '7'")
	from = heard.len()
	calls = callsIn(heard.until(t, time.Now().Add(9*time.Second), from))
	t.Logf("heard %v", calls)
	assert.NotContains(t, numbersOf(calls), 7, "quiet for the pair somebody goes to")
	assert.NotEmpty(t, calls, "the others are heard on")
}

// calmBoard gives a board with so many pairs in holds, of which nothing is asked yet.
func calmBoard(t *testing.T, n int, width, height int64) (*board, []*boardPair) {
	t.Helper()
	server := startProgram(t, "", "")
	pairs := make([]*boardPair, n)
	for i := range pairs {
		pairs[i] = newBoardPair(t, server, divers[i], 40)
	}
	b := newBoard(t, server, width, height, n, browserSetup{})
	lookAll(t, pairs)
	b.waitFor(t, "[...document.querySelectorAll('.b-row')].every((n) => n.dataset.tone === 'calm')")
	return b, pairs
}

// A pair's alarm is in sight on a phone too, wherever its list was scrolled to, and
// stays there while somebody looks at the others.
func TestH14AnAlarmIsSeenWhereverAPhoneIsScrolledTo(t *testing.T) {
	t.Parallel() // it mostly waits
	b, pairs := calmBoard(t, 7, 390, 844)
	toEnd := "(() => { const list = document.querySelector('.b-body'); list.scrollTop = list.scrollHeight; return list.scrollTop > 100; })()"
	require.True(t, eval[bool](t, b.browser, toEnd), "there is nothing to scroll")

	pairs[3].say(t, "no-answer", 0, nil)
	b.tone(t, 4, "alarm")
	b.waitFor(t, "document.querySelector('.b-body').scrollTop === 0")
	b.picture(t, "an alarm while scrolled down")
	require.True(t, eval[bool](t, b.browser, toEnd))
	require.True(t, eval[bool](t, b.browser, `(() => {
		const row = `+rowOf(4)+`, r = row.getBoundingClientRect();
		return [0.1, 0.5, 0.9].every((part) => document.elementFromPoint(r.left + r.width / 2, r.top + r.height * part)?.closest('.b-row') === row);
	})()`), "the alarm is scrolled away")
	b.picture(t, "scrolled down in an alarm")
}

// Calm rows become low where they are too high for all to be seen, however many lines
// a device's letters make of them.
func TestBoardRowsBecomeLowWhereTheyDoNotFit(t *testing.T) {
	t.Parallel() // it mostly waits
	b, _ := calmBoard(t, 6, 1024, 768)
	require.False(t, eval[bool](t, b.browser, "document.querySelector('.board').classList.contains('dense')"))
	eval[int](t, b.browser, "document.styleSheets[0].insertRule('.board:not(.dense) .b-side { min-height: 130px }')")
	b.waitFor(t, "document.querySelector('.board').classList.contains('dense')")
	b.waitFor(t, "(() => { const list = document.querySelector('.b-body'); return list.scrollHeight <= list.clientHeight; })()")

	// On a phone they are scrolled through, and what is no fault gives its room away.
	resize(t, b.browser, 390, 844)
	low := "document.querySelector('.board').classList.contains('dense') && [...document.querySelectorAll('.b-row')].every((n) => n.querySelector('.b-battery').textContent && !n.querySelector('.b-battery').checkVisibility())"
	b.waitFor(t, "!document.querySelector('.board').classList.contains('wide') && "+low)
}

// meetings are words and keys of one row that lie on each other, or beyond the screen.
const meetings = `new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn))).then(() => {
	const parts = ['.b-number', '.b-diver', '.b-clock', '.b-main', '.b-lead', '.b-sub', '.b-fault', '.b-going', '.b-voice', '.b-link', '.b-battery', '.b-go'];
	return [...document.querySelectorAll('.b-row')].flatMap((row) => {
		const seen = parts.flatMap((part) => [...row.querySelectorAll(part)]).filter((n) => n.textContent && n.offsetWidth > 0).map((n) => ({ n, r: n.getBoundingClientRect() }));
		return seen.flatMap(({ n, r }, i) => [
			...(r.right > innerWidth + 1 ? [n.className + ' is beyond the screen'] : []),
			...seen.slice(i + 1).filter(({ r: o }) => Math.min(r.right, o.right) - Math.max(r.left, o.left) > 1 && Math.min(r.bottom, o.bottom) - Math.max(r.top, o.top) > 3)
				.map(({ n: o }) => n.className + ' and ' + o.className + ': ' + n.textContent + ', ' + o.textContent),
		]);
	});
})`

// In calm, in alarms of one word and of three, not live, and gone to: on no screen
// does a word lie on another, or a key on a word.
func TestBoardIsReadableOnEveryScreen(t *testing.T) {
	t.Parallel() // it mostly waits
	b, pairs := calmBoard(t, 5, 1280, 800)
	pairs[1].say(t, "no-answer", 0, nil)
	pairs[2].say(t, "incident", 0, map[string]any{"what": "blackout"})
	pairs[4].gone()
	b.tone(t, 5, "gone")
	pairs[3].say(t, "surfaced", 0, nil)
	b.waitFor(t, "/^[23] alarms: 2 3/.test(document.querySelector('.b-alarms').textContent)")
	// Turned, the board has its other layout at once, and not with the next drawing.
	eval[bool](t, b.browser, `(() => {
		globalThis.late = [];
		addEventListener('resize', () => {
			const { classList } = document.querySelector('.board');
			if (classList.contains('wide') !== (innerWidth >= 700) || classList.contains('upright') !== (innerWidth >= 700 && innerWidth < 900)) late.push(innerWidth);
			turnedTo = innerWidth;
		});
		globalThis.turnedTo = innerWidth;
		return true;
	})()`)
	for _, going := range []bool{false, true} {
		if going {
			b.click(t, "("+rowOf(3)+").querySelector('.b-go')", "buddyclock.frame().rows.find((r) => r.number === 3).met")
		}
		for _, size := range [][2]int64{{1280, 800}, {1024, 768}, {768, 1024}, {844, 390}, {390, 844}, {320, 568}} {
			resize(t, b.browser, size[0], size[1])
			b.waitFor(t, fmt.Sprintf("turnedTo === %d", size[0]))
			b.picture(t, fmt.Sprintf("%dx%d going %t", size[0], size[1], going))
			assert.Empty(t, eval[[]string](t, b.browser, meetings), size)
		}
	}
	assert.Empty(t, eval[[]int](t, b.browser, "late"), "drawn late at these widths, px")
}

// flashesTogether looks at a board in alarm as a camera does: whenever it looks,
// the octagons of all rows are lit or none is, and they change four times a second
// at most (hazard H18).
func (b *board) flashesTogether(t testing.TB) {
	t.Helper()
	spots := eval[[][]float64](t, b.browser, `[...document.querySelectorAll('.b-row[data-tone=alarm] .icon-octagon')].map((n) => {
		const r = n.getBoundingClientRect();
		return [r.left + r.width * 0.12, r.top + r.height / 2];
	})`)
	require.Greater(t, len(spots), 1)
	seen := map[bool]int{}
	for look := 0; look < 40 && len(seen) < 2 || look < 10; look++ {
		img := b.browser.picture(t)
		lit := bright(img, int(spots[0][0]), int(spots[0][1]))
		seen[lit]++
		for _, at := range spots {
			require.Equal(t, lit, bright(img, int(at[0]), int(at[1])), "two rows flash one after the other")
		}
	}
	require.Len(t, seen, 2, "nothing flashes")
	endless := "document.getAnimations().filter((a) => a.effect.getTiming().iterations === Infinity)"
	require.Equal(t, []float64{500}, eval[[]float64](t, b.browser, endless+".map((a) => a.effect.getTiming().duration)"), "one clock of two flashes a second")
	motion := func(value string) {
		b.run(t, emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: value}}))
	}
	motion("reduce")
	require.Zero(t, eval[int](t, b.browser, endless+".length"), "less motion was asked for")
	motion("")
}

func numbersOf(calls []call) []int {
	var numbers []int
	for _, c := range calls {
		numbers = append(numbers, c.number)
	}
	return numbers
}

// call is one signal of the board: three long pulses, or the alarm's bursts,
// and then the pair's number in knocks.
type call struct {
	at, end float64   // ms
	widths  []float64 // of its pulses: 180 in a medium signal, 120 in a high one
	high    bool
	number  int
}

// callsIn reads a recording of the board as a person would: what pulses, how
// long, how high, and how many knocks follow. A busy machine tears holes into
// what is played: a knock in pieces is one knock, and one call may be misread.
func callsIn(heard []float64) []call {
	const knockHz, alarmHz, tornMs = 1047, 784, 110
	var calls []call
	begun, ended := 0.0, math.Inf(-1) // of the knock heard last
	for _, p := range pulsesIn(heard, 0.02) {
		piece := heard[p.first : p.last+1]
		if levelAt(piece, knockHz) > levelAt(piece, alarmHz) {
			if len(calls) == 0 {
				continue
			}
			c := &calls[len(calls)-1]
			c.end = p.at + p.width
			if p.at-ended < tornMs { // one knock in pieces
				if c.end-begun > 200 && ended-begun <= 200 {
					c.number += 4
				}
				ended = c.end
				continue
			}
			begun, ended = p.at, c.end
			c.number += map[bool]int{true: 5, false: 1}[p.width > 200]
			continue
		}
		if n := len(calls); n > 0 && calls[n-1].number == 0 && p.at-calls[n-1].end < 900 {
			calls[n-1].end = p.at + p.width
			calls[n-1].widths = append(calls[n-1].widths, p.width)
			continue
		}
		calls = append(calls, call{at: p.at, end: p.at + p.width, widths: []float64{p.width}})
	}
	for i := range calls {
		calls[i].high = middleOf(slices.Sorted(slices.Values(calls[i].widths))) < 150
		calls[i].widths = nil
	}
	if n := len(calls); n > 0 && ms(len(heard))-calls[n-1].end < 2500 {
		calls = calls[:n-1] // its number may not be whole
	}
	return calls
}

// A pair whose phones are gone does not look live: its digits stand still, it
// says for how long, and its row rises above the calm ones.
func TestBoardShowsWhatIsNotLive(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	one, two := newBoardPair(t, server, "Ansa", 30), newBoardPair(t, server, "Ilo", 30)
	b := newLonelyBoard(t, server, 1280, 800, 2, browserSetup{limit: boardLimit})
	assert.Equal(t, []int{1, 2}, b.order(t))
	two.gone()
	b.tone(t, 2, "gone")
	assert.Equal(t, []int{2, 1}, b.order(t))
	b.waitFor(t, "("+rowOf(2)+").innerText.includes('not live')") // drawn, not only sounded
	digits := eval[string](t, b.browser, "("+rowOf(2)+").querySelector('.b-clock').textContent")
	b.waitFor(t, "("+rowOf(2)+").innerText.includes('not live 0:06')")
	assert.Equal(t, digits, eval[string](t, b.browser, "("+rowOf(2)+").querySelector('.b-clock').textContent"), "no running digits")
	b.picture(t, "not live")
	one.say(t, "look", 0, nil)
	server.kill(t)
	b.waitFor(t, "document.querySelector('.board').dataset.link === 'lost'")
	b.tone(t, 1, "gone")
	b.says(t, "hears no host")
	b.picture(t, "no host")
}

// The board and a pair's real phone: going there and ending the hold are seen at
// both ends, all by keyboard.
func TestBoardActsOnAPairByKeyboard(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	played := newBoardPair(t, server, "Ilo", 30)
	phone := newPhone(t, "buddy", 390, 844, browserSetup{limit: boardLimit})
	phone.open(t, server.joinURL)
	eval[bool](t, phone.browser, fmt.Sprintf(`buddyclock.access.join({ pair: '%s', role: 'buddy', name: 'Odo' }).then(() => true)`, played.pair))
	phone.phase(t, "hold")
	b := newBoard(t, server, 1280, 800, 1, browserSetup{limit: boardLimit})

	// Into the pair's sheet, and the hold is ended by a key that is held.
	b.focus(t, "pair 1: open")
	b.picture(t, "focus on the pair")
	b.run(t, chromedp.KeyEvent(kb.Enter))
	b.waitFor(t, "document.querySelector('.b-end-hold')?.offsetParent")
	b.picture(t, "pair")
	b.focus(t, "end this hold")
	b.holdKey(t, kb.Enter, "buddyclock.frame().rows[0].status.bring_up")
	phone.waitFor(t, recorded("end-hold")+" === 1")
	phone.says(t, "hold ended")
	phone.picture(t, "hold ended")
	b.run(t, chromedp.KeyEvent(kb.Escape))
	b.waitFor(t, "document.querySelector('.b-sheet').hidden")

	// Nobody brings them up: the alarm comes, and somebody goes.
	b.tone(t, 1, "alarm")
	b.focus(t, "I'm going")
	b.picture(t, "focus on the key")
	b.holdKey(t, kb.Enter, "buddyclock.frame().rows[0].met")
	phone.waitFor(t, recorded("going")+" === 1")
	phone.says(t, "an instructor is coming")
	phone.picture(t, "instructor is coming")
	assert.Equal(t, "alarm", eval[string](t, phone.browser, "buddyclock.frame().status.standing.rung"), "the pair's own alarm goes on")
	b.waitFor(t, "("+rowOf(1)+").innerText.includes('going')")
}

// holdKey keeps a key down until a condition holds in the page.
func (b *board) holdKey(t testing.TB, key, until string) {
	t.Helper()
	for done := false; !done; {
		var events []*input.DispatchKeyEventParams
		for _, r := range key {
			events = append(events, kb.Encode(r)...)
		}
		b.run(t, events[0])
		done = b.soon(t, until, patience)
		b.run(t, events[len(events)-1])
		done = done || b.soon(t, until, lifted)
	}
}

// focus moves the keyboard's focus by the tab key until it is on what says that.
func (b *board) focus(t testing.TB, words string) {
	t.Helper()
	said := fmt.Sprintf("(document.activeElement?.getAttribute('aria-label') ?? document.activeElement?.innerText ?? '').includes(%q)", words)
	for range 80 {
		if eval[bool](t, b.browser, said) {
			return
		}
		b.run(t, chromedp.KeyEvent(kb.Tab))
	}
	require.Fail(t, "no way there by keyboard", words)
}

// Several pairs start with one count, 20 to 30 s apart, a phone takes another
// role by offer and accept, and a device that is taken out can send nothing more.
func TestBoardStartsAGroupAndOffersARole(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	one, two := newPlannedPair(t, server, "Ansa"), newPlannedPair(t, server, "Ilo")
	phone := newPhone(t, "buddy", 390, 844, browserSetup{limit: boardLimit})
	phone.open(t, server.joinURL)
	eval[bool](t, phone.browser, fmt.Sprintf(`buddyclock.access.join({ pair: '%s', role: 'buddy', name: 'Odo' }).then(() => true)`, one.pair))
	phone.waitFor(t, "buddyclock.frame().link.state === 'live'")
	b := newBoard(t, server, 390, 844, 2, browserSetup{limit: boardLimit})
	b.picture(t, "two pairs")

	b.click(t, "document.querySelector('.b-row .b-who')", "document.querySelector('.b-devices')")
	b.click(t, `[...document.querySelectorAll('.b-sheet .word')].find((n) => n.getAttribute('aria-label') === 'offer Odo the role diver')`, "buddyclock.frame().offers.length > 0")
	phone.says(t, "asks this phone to be the diver")
	phone.picture(t, "offer")
	phone.tap(t, "yes")
	phone.waitFor(t, "buddyclock.frame().me.role === 'diver'")
	b.says(t, "accepted")
	b.picture(t, "pair")
	b.click(t, "document.querySelector('.b-close')", "document.querySelector('.b-sheet').hidden")

	b.click(t, "[...document.querySelectorAll('.b-menu .word')].at(-1)", "document.querySelector('.b-group-start')")
	b.picture(t, "outing")
	b.click(t, "document.querySelector('.b-group-start:not([disabled])')", "buddyclock.frame().rows.every((r) => r.status?.phase === 'breathe-up')")
	zeros := eval[[]float64](t, b.browser, "buddyclock.frame().rows.map((r) => r.status.zero_at)")
	assert.GreaterOrEqual(t, zeros[1]-zeros[0], 20_000.0)
	assert.LessOrEqual(t, zeros[1]-zeros[0], 30_000.0)
	phone.waitFor(t, fmt.Sprintf("buddyclock.frame().status?.zero_at === %.0f", zeros[0]))
	b.picture(t, "counting")
	// A second press has no count begin anew: only who is chosen by hand is counted once more.
	b.waitFor(t, "document.querySelector('.b-group-start').disabled")
	eval[bool](t, b.browser, "(document.querySelector('.pick [aria-pressed]').focus(), true)")
	b.run(t, chromedp.KeyEvent(kb.Enter))
	b.waitFor(t, "document.activeElement.getAttribute('aria-pressed') === 'true' && document.querySelector('.b-group-start').textContent === 'count anew for 1 pair'")
	b.click(t, "document.querySelector('.b-group-cancel')", "buddyclock.frame().rows.every((r) => r.status?.zero_at === null)")
	phone.says(t, "the instructor has called the count off")
	phone.picture(t, "count called off")

	remove := fmt.Sprintf("document.querySelector('.b-device[data-device=\"%s\"] .b-remove')", two.device)
	b.click(t, remove, "buddyclock.frame().rows[1].devices.length === 0")
	two.await(t, "bye")
}
