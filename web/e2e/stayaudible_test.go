package e2e

import (
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rungs are those of a ladder, in order.
var rungs = []string{"prompt", "again", "alarm"}

// hears waits for each rung of a new ladder and demands that it is heard
// within a second of its due time: a tick that was held up would be later. How
// near they really are the bench tells.
func (o *outing) hears(t *testing.T, due map[string]time.Time) {
	t.Helper()
	p := o.phones[0]
	for _, rung := range rungs {
		heard := p.heardAt(t, due[rung].Add(-250*time.Millisecond), due[rung].Add(8*time.Second))
		if assert.False(t, heard.IsZero(), "%s was not heard", rung) {
			late := lateMs(heard, due[rung])
			t.Logf("%s heard %+.0f ms from its due time", rung, late)
			assert.Less(t, late, 1000.0, rung)
		}
	}
}

// ladder begins a new one and gives when its rungs are due.
func (o *outing) ladder(t testing.TB) map[string]time.Time {
	t.Helper()
	o.does(t, o.phones[0], "answered", "{}")
	due := map[string]time.Time{}
	for _, rung := range rungs {
		due[rung] = o.witness.instant(o.phones[0].due(t, rung))
	}
	return due
}

// A page that is hidden, and one that gets a sixth of the processor, sounds
// each rung; one that was frozen over a rung sounds as soon as it is thawed.
func TestH03RungsOfAHiddenASlowAndAFrozenPage(t *testing.T) {
	t.Parallel() // it mostly waits
	o := newOuting(t, outingSetup{limit: 4 * time.Minute, roles: []string{"buddy"}})
	p := o.phones[0]
	o.hold(t, "dry", 240)
	o.does(t, p, "sign", toFinal)

	t.Run("hidden", func(t *testing.T) {
		due := o.ladder(t)
		front := p.newTab(t)
		front.run(t, page.BringToFront())
		p.waitFor(t, "document.visibilityState === 'hidden'")
		o.hears(t, due)
		p.run(t, page.BringToFront())
		p.waitFor(t, "document.visibilityState === 'visible' && buddyclock.frame().away !== null")
	})
	t.Run("slow", func(t *testing.T) {
		due := o.ladder(t)
		p.run(t, emulation.SetCPUThrottlingRate(6))
		o.hears(t, due)
		p.run(t, emulation.SetCPUThrottlingRate(1))
	})
	t.Run("frozen", func(t *testing.T) {
		due := o.ladder(t)
		p.freeze(t)
		p.until(t, due["again"].Add(time.Second), p.len())
		thawed := time.Now()
		p.thaw(t)
		heard := p.heardAt(t, thawed, thawed.Add(5*time.Second))
		require.False(t, heard.IsZero(), "nothing was heard after the thaw")
		t.Logf("heard %.0f ms after the thaw", lateMs(heard, thawed))
		p.waitFor(t, "buddyclock.frame().away !== null")
		alarm := p.heardAt(t, due["alarm"].Add(-250*time.Millisecond), due["alarm"].Add(8*time.Second))
		require.False(t, alarm.IsZero(), "the alarm was not heard")
	})
}

// In a hold the audio context is suspended, then closed, then its device
// stands still although the context says that it runs: each is told to the
// other phone, which takes the rungs, and the sound comes back by itself.
func TestH04SoundTakenAwayInAHold(t *testing.T) {
	t.Parallel() // it mostly waits
	o := newOuting(t, outingSetup{limit: 4 * time.Minute, roles: []string{"buddy", "diver"}})
	buddy, diver := o.phones[0], o.phones[1]
	o.hold(t, "dry", 240)
	for _, harm := range []struct {
		name     string
		do, undo func()
		byItself bool
	}{
		{"suspended", func() { eval[bool](t, buddy.browser, "contexts.at(-1).suspend().then(() => true)") }, func() {}, true},
		{"closed", func() { eval[bool](t, buddy.browser, "contexts.at(-1).close().then(() => true)") }, func() {}, true},
		{"device stands still", func() { buddy.still(t, true) }, func() { buddy.still(t, false) }, false},
	} {
		t.Run(harm.name, func(t *testing.T) {
			buddy.waitFor(t, takes+" && buddyclock.frame().sound.state === 'proven'")
			diver.waitFor(t, "!("+takes+") && buddyclock.frame().sound.state === 'proven'")
			eval[bool](t, buddy.browser, `(() => { globalThis.faults = 0; clearInterval(globalThis.looking);
				globalThis.looking = setInterval(() => { faults += buddyclock.sound.state().state === 'fault' ? 1 : 0; }, 20); return true; })()`)
			eval[bool](t, diver.browser, `(() => { globalThis.told = 0; clearInterval(globalThis.looking);
				globalThis.looking = setInterval(() => {
					const other = buddyclock.frame().present.find((d) => d.name === 'Odo');
					told += other?.state?.sound === 'fault' ? 1 : 0;
				}, 20); return true; })()`)
			harm.do()
			buddy.waitFor(t, "faults > 0")
			if !harm.byItself {
				diver.waitFor(t, takes)
			}
			diver.waitFor(t, "told > 0")
			harm.undo()
			buddy.waitFor(t, "buddyclock.sound.state().state === 'proven' && buddyclock.sound.state().running")
		})
	}
	// After all of it an alarm is heard from both.
	pressed := o.witness.instant(o.does(t, buddy, "no-answer", "{}"))
	for _, p := range o.phones {
		require.False(t, p.heardAt(t, pressed, pressed.Add(10*time.Second)).IsZero(), p.name)
	}
}
