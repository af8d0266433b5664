package e2e

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pairPhone is one of several phones of a test that its server or its battery
// leaves alone.
func pairPhone(t testing.TB, name string) *phone {
	t.Helper()
	p := &phone{browser: startBrowser(t, browserSetup{limit: 2 * time.Minute}), name: name}
	p.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	return p
}

// hears has a person touch the phone and count the beeps of the sound check.
func (p *phone) hears(t testing.TB) {
	t.Helper()
	p.fingerAt(t, 195, 300, "buddyclock.sound.state().running")
	require.True(t, eval[bool](t, p.browser, "buddyclock.sound.check(1).then(() => buddyclock.sound.proved())"))
	p.waitFor(t, soundIs("proven"))
}

func soundIs(state string) string {
	return fmt.Sprintf("buddyclock.frame().sound.state === '%s'", state)
}

const hasRungs = "buddyclock.rungsHere('prompt') === 1"

// joins makes the phone a device of a pair, by the page's own calls.
func (p *phone) joins(t testing.TB, url, pair, role, name string) {
	t.Helper()
	p.open(t, url)
	eval[bool](t, p.browser, fmt.Sprintf(`buddyclock.access.join({ pair: '%s', role: '%s', name: '%s' }).then(() => true)`, pair, role, name))
	p.waitFor(t, "buddyclock.frame().link.state === 'live'")
}

// twoInAHold is a pair in a hold: the buddy's phone and the diver's, both heard.
func twoInAHold(t *testing.T, server *program) (buddy, diver *phone) {
	t.Helper()
	buddy, diver = pairPhone(t, "buddy"), pairPhone(t, "diver")
	buddy.joins(t, server.joinURL, "new", "buddy", "Odo")
	diver.joins(t, server.joinURL, eval[string](t, buddy.browser, "buddyclock.frame().pair.pair"), "diver", "Ansa")
	diver.hears(t)
	buddy.hears(t)
	eval[string](t, buddy.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240,
		cadence: 'standard', signal: 'squeeze', hears: [] })`)
	eval[string](t, buddy.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	buddy.phase(t, "hold")
	diver.phase(t, "hold")
	diver.waitFor(t, "!("+hasRungs+")")
	return buddy, diver
}

// After a reload the page has no sound until it is touched once, and says so;
// meanwhile the diver's phone has the rungs. One touch brings sound and rungs
// back, as its beeps were counted before.
func TestH10SoundComesBackByOneTouch(t *testing.T) {
	t.Parallel() // it mostly waits
	buddy, diver := twoInAHold(t, startProgram(t, "", ""))
	proven := eval[float64](t, buddy.browser, "buddyclock.frame().sound.proven_at")

	buddy.reload(t)
	buddy.phase(t, "hold")
	assert.True(t, eval[bool](t, buddy.browser, soundIs("off")))
	buddy.says(t, "touch the screen")
	assert.Empty(t, eval[[]string](t, buddy.browser, cutWords), "cut off")
	diver.waitFor(t, hasRungs)
	buddy.says(t, "look at them")

	buddy.pressSlab(t, "look")
	buddy.waitFor(t, soundIs("proven"))
	assert.Equal(t, proven, eval[float64](t, buddy.browser, "buddyclock.frame().sound.proven_at"), "since the beeps were counted")
	buddy.waitFor(t, hasRungs)
	diver.waitFor(t, "!("+hasRungs+")")
}

// Each phone of a pair that is gone in a hold is a fault on the other one,
// which has the rungs from then on.
func TestH09EachPhoneLostInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	buddy, diver := twoInAHold(t, server)
	diver.run(t, chromedp.Navigate("about:blank"))
	buddy.says(t, "Ansa’s phone: not live")
	assert.True(t, eval[bool](t, buddy.browser, hasRungs))
	diver.open(t, "http://"+server.addr+"/")
	diver.phase(t, "hold")
	diver.hears(t)
	buddy.waitFor(t, "!document.body.innerText.includes('Ansa’s phone')")

	// A battery that dies says no goodbye.
	eval[bool](t, buddy.browser, "setTimeout(() => { for (;;); }, 0) > 0")
	diver.waitFor(t, hasRungs)
	assert.Equal(t, "hold", eval[string](t, diver.browser, "buddyclock.frame().status.phase"))
	assert.Contains(t, eval[string](t, diver.browser, "buddyclock.frame().present.map((p) => p.role + ' ' + (p.age_ms > 2000)).join()"), "buddy true")
}

// A reload in any phase brings back the hold, the rung that stands, the phone's
// place in the pair, and the view.
func TestH10ReloadInEveryPhase(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.joins(t, server.joinURL, "new", "buddy", "Odo")
	steps := []struct{ phase, record string }{
		{"planned", ""},
		{"breathe-up", `record('breathe-up', { zero_at: buddyclock.now() + 60000 })`},
		{"hold", `record('start', null)`},
		{"hold", `record('contraction', null)`},
		{"hold", `record('no-answer', null)`},
		{"recovery", `record('surfaced', null).then(() => buddyclock.record('awake', null))`},
		{"watch", `record('ok', null)`},
		{"incident", `record('incident', { what: 'lmc' })`},
		{"watch", `record('recovered', null)`},
		{"over", `record('watch-ended', { forced: true })`},
	}
	eval[string](t, p.browser, `buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: 'dry', planned_s: 240, cadence: 'standard', signal: 'squeeze' })`)
	const seen = `(() => {
		const { status: s, hold, me, pair } = buddyclock.frame();
		const place = (r) => r && [r.rung, r.asks, r.at];
		return JSON.stringify([s.phase, s.boundaries, s.start_at, s.surfaced_at, s.ok_at, s.incident, s.zero_at, s.bring_up && place(s.bring_up),
			hold.events.map((e) => e.id), me, pair]);
	})()`
	const view = "document.querySelector('#view > *').className"
	// Drawings may rest: what was recorded is in the facts before it is on the screen.
	const drawn = `(() => {
		const { status: s } = buddyclock.frame();
		return s.phase !== 'hold' || document.querySelector('#view > *').classList.contains('in-alarm') === (s.standing?.rung === 'alarm');
	})()`
	// How the page has the disk keep each kind of event.
	p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(`globalThis.keptHow = {};
			const add = IDBObjectStore.prototype.add;
			IDBObjectStore.prototype.add = function (row, ...more) {
				keptHow[row.event?.kind] = this.transaction.durability;
				return add.call(this, row, ...more);
			};`).Do(ctx)
		return err
	}))
	p.reload(t)
	for _, step := range steps {
		if step.record != "" {
			eval[bool](t, p.browser, "buddyclock."+step.record+".then(() => true)")
		}
		p.phase(t, step.phase)
		for _, kind := range []string{"start", "no-answer", "surfaced", "ok", "incident", "recovered", "watch-ended", "contraction"} {
			if !strings.Contains(step.record, "record('"+kind+"'") {
				continue
			}
			p.waitFor(t, "keptHow['"+kind+"'] !== undefined") // an alarm is shown before the disk is asked
			want := map[bool]string{true: "relaxed", false: "strict"}[kind == "contraction"]
			assert.Equal(t, want, eval[string](t, p.browser, "keptHow['"+kind+"']"), "durability of %s", kind)
		}
		p.waitFor(t, drawn)
		before, shows := eval[string](t, p.browser, seen), eval[string](t, p.browser, view)
		p.reload(t)
		p.waitFor(t, drawn)
		assert.Equal(t, before, eval[string](t, p.browser, seen), "%s after %s", step.phase, step.record)
		assert.Equal(t, shows, eval[string](t, p.browser, view), "%s after %s", step.phase, step.record)
		if running := step.phase != "planned" && step.phase != "breathe-up" && step.phase != "over"; running {
			assert.True(t, eval[bool](t, p.browser, "buddyclock.frame().away !== null"), "a look is asked for in %s", step.phase)
		}
	}
	p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
}

// A store that fails in a hold stops nothing: the hold goes on in memory, says
// so, and reaches the server.
func TestH10StoreThatFailsInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, server.joinURL)
	p.inHold(t, "dry")
	p.waitFor(t, "buddyclock.frame().link.unsent === 0")
	eval[bool](t, p.browser, `(() => {
		const full = () => { throw new DOMException('full', 'QuotaExceededError'); };
		IDBObjectStore.prototype.add = full;
		IDBObjectStore.prototype.put = full;
		return true;
	})()`)
	p.pressSlab(t, "look")
	p.says(t, "storage has failed")
	assert.False(t, eval[bool](t, p.browser, "buddyclock.frame().store.ok"))
	p.record(t, "contraction", "contraction")
	p.waitFor(t, "buddyclock.frame().link.unsent === 0")
	p.reload(t)
	p.phase(t, "hold")
	p.waitFor(t, recorded("look")+" === 1 && "+recorded("contraction")+" === 1")
}

// Two phones whose server dies in a hold go on apart; when it is back both end
// with the same events in the same order, and so with one state.
func TestH05TwoPhonesApartEndWithOneState(t *testing.T) {
	t.Parallel() // it mostly waits
	server := startProgram(t, "", "")
	buddy, diver := twoInAHold(t, server)
	server.kill(t)
	buddy.says(t, "not live")
	buddy.pressSlab(t, "look")
	eval[string](t, diver.browser, "buddyclock.record('contraction', { signalled: true }).then((e) => e.id)")
	buddy.record(t, "contraction", "contraction")
	eval[string](t, diver.browser, "buddyclock.record('sign', { what: 'tense' }).then((e) => e.id)")
	buddy.record(t, "they’re up", "surfaced")
	diver.reload(t)
	diver.phase(t, "hold")
	buddy.phase(t, "recovery")

	startProgram(t, server.data, server.addr)
	for _, p := range []*phone{buddy, diver} {
		p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.frame().link.unsent === 0")
	}
	diver.phase(t, "recovery")
	agree(t, buddy, diver)
	const ids = "buddyclock.frame().hold.events.filter((e) => e.kind !== 'sounded').map((e) => e.id).join(' ')"
	assert.Equal(t, eval[string](t, buddy.browser, ids), eval[string](t, diver.browser, ids))
	assert.Equal(t, 7, eval[int](t, buddy.browser, "buddyclock.frame().hold.events.filter((e) => e.kind !== 'sounded').length"))
	for _, p := range []*phone{buddy, diver} {
		assert.Equal(t, 0, eval[int](t, p.browser, onDisk("new")))
		assert.Equal(t, 0, eval[int](t, p.browser, onDisk("refused")))
	}
}
