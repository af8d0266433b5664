package e2e

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/require"
)

// ladders is how many ladders each run of the sound benchmarks lets go up to the alarm.
const ladders = 4

// onsetNear gives how late a sound began that was due at an instant, in ms;
// false where none began within half a second of it.
func (p *loudPhone) onsetNear(due time.Time, riseMs float64) (float64, bool) {
	const around = 500 * time.Millisecond
	first := p.sampleAt(due.Add(-around))
	heard := p.since(first)
	heard = heard[:min(len(heard), samples(1000))]
	for _, pulse := range pulsesIn(heard, 0.02) {
		if late := lateMs(p.at(first+pulse.first), due) - riseMs/2; pulse.first > 0 && late > -450 && late < 450 {
			return late, true
		}
	}
	return 0, false
}

// climb lets a ladder go up to its alarm, and gives when each rung was due.
func (o *outing) climb(b *testing.B) map[string]time.Time {
	b.Helper()
	o.does(b, o.phones[0], "answered", "{}")
	due := map[string]time.Time{}
	for _, rung := range []string{"prompt", "again", "alarm"} {
		due[rung] = o.witness.instant(o.phones[0].due(b, rung))
	}
	o.phones[0].until(b, due["alarm"].Add(2*time.Second), o.phones[0].len())
	o.witness.measure(b, 20)
	return due
}

var riseOf = map[string]float64{"prompt": longRiseMs, "again": longRiseMs, "alarm": shortRiseMs}

// BenchmarkRungs prints how late each rung is heard, and how far apart the same
// sound is on two phones of a pair: on a quiet machine, over a lossy wire, and
// beside a busy loop.
func BenchmarkRungs(b *testing.B) {
	onsets := newTable("Onset of every rung against its due time, magnitude")
	spread := newTable("The same sound on two phones, magnitude")
	for _, c := range []struct {
		name string
		wire wire
		busy bool
	}{
		{"loopback", wire{}, false},
		{"20 ± 15 ms each way, 1 % loss", wireOf(20*time.Millisecond, 15*time.Millisecond, 0.01), false},
		{"loopback, one busy loop beside it", wire{}, true},
	} {
		each(b, c.name, func(b *testing.B, run int) {
			o := newOuting(b, outingSetup{limit: benchLimit, roles: []string{"buddy", "diver"}, wire: c.wire})
			o.hold(b, "dry", 900)
			o.does(b, o.phones[0], "sign", toFinal)
			stop := func() {}
			if c.busy {
				stop = busyLoop(b)
			}
			var late, apart []float64
			missed := 0
			for range ladders {
				for rung, due := range o.climb(b) {
					left, heard := o.phones[0].onsetNear(due, riseOf[rung])
					if !heard {
						missed++
						continue
					}
					late = append(late, max(left, -left))
					if right, heard := o.phones[1].onsetNear(due, riseOf[rung]); heard && rung != "prompt" {
						apart = append(apart, max(left-right, right-left))
					}
				}
			}
			stop()
			o.phones[0].room.keep(b, fmt.Sprintf("rungs-%s-%d", c.name, run))
			if missed > 0 {
				fmt.Printf("%s, run %d: %d rungs not heard within half a second\n", c.name, run, missed)
			}
			onsets.add(c.name, late)
			spread.add(c.name, apart)
		})
	}
	onsets.print()
	spread.print()
}

// BenchmarkNoAnswer prints the time from a finger on [no answer] to the alarm
// heard from the same phone, with the server off. A press counts once the
// finger has stayed for 120 ms.
func BenchmarkNoAnswer(b *testing.B) {
	found := newTable("[no answer] to the alarm, server off")
	each(b, "run", func(b *testing.B, run int) {
		o := newOuting(b, outingSetup{limit: benchLimit, roles: []string{"buddy"}})
		p := o.phones[0]
		o.hold(b, "dry", 900)
		o.server.kill(b)
		p.waitFor(b, "buddyclock.frame().link.state !== 'live'")
		var down, counted []float64
		for range 5 {
			p.waitFor(b, visible("no answer"))
			at := eval[[]float64](b, p.browser, `(() => { const r = (`+visible("no answer")+`).getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`)
			touched := time.Now()
			p.run(b, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: at[0], Y: at[1]}}))
			heard := p.heardAt(b, touched, touched.Add(5*time.Second))
			p.run(b, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
			require.False(b, heard.IsZero(), "no alarm")
			down = append(down, lateMs(heard, touched))
			counted = append(counted, lateMs(heard, touched)-pressMs)
			eval[string](b, p.browser, `(() => { const mine = buddyclock.frame().hold.events.filter((e) => e.kind === 'no-answer').pop(); return buddyclock.takeBack(mine.id).then((e) => e.id); })()`)
			p.waitFor(b, "buddyclock.frame().status.standing === null || buddyclock.frame().status.bring_up === null")
			p.until(b, time.Now().Add(500*time.Millisecond), p.len())
		}
		p.room.keep(b, fmt.Sprintf("no-answer-%d", run))
		found.add("from the finger", down)
		found.add("from the press that counts, 120 ms later", counted)
	})
	found.print()
}

// pressMs is how long a finger stays before a press counts in a dry hold.
const pressMs = 120

// BenchmarkFrozen prints what is heard when the buddy's page is frozen for 10 s
// half a second before a prompt in the final stage: on the other phone since
// the freeze, and on the same phone since it was thawed.
func BenchmarkFrozen(b *testing.B) {
	found := newTable("Page frozen 10 s across a rung in the final stage")
	each(b, "run", func(b *testing.B, run int) {
		o := newOuting(b, outingSetup{limit: benchLimit, roles: []string{"buddy", "buddy"}})
		buddy, other := o.phones[0], o.phones[1]
		o.hold(b, "dry", 900)
		o.does(b, buddy, "sign", toFinal)
		var there, here []float64
		for range 3 {
			o.does(b, buddy, "answered", "{}")
			buddy.waitFor(b, takes+" && buddyclock.frame().sound.state === 'proven'")
			other.waitFor(b, "!("+takes+") && buddyclock.frame().sound.state === 'proven'")
			o.does(b, buddy, "answered", "{}")
			due := o.witness.instant(buddy.due(b, "prompt"))
			time.Sleep(time.Until(due.Add(-500 * time.Millisecond)))
			buddy.freeze(b)
			frozen := time.Now()
			if heard := other.heardAt(b, frozen, frozen.Add(10*time.Second)); !heard.IsZero() {
				there = append(there, lateMs(heard, frozen))
			}
			time.Sleep(time.Until(frozen.Add(10 * time.Second)))
			thawed := time.Now()
			buddy.thaw(b)
			if heard := buddy.heardAt(b, thawed, thawed.Add(10*time.Second)); !heard.IsZero() {
				here = append(here, lateMs(heard, thawed))
			}
		}
		buddy.room.keep(b, fmt.Sprintf("frozen-%d", run))
		found.add("on the other phone, since the freeze", there)
		found.add("on the same phone, since it was thawed", here)
	})
	found.print()
}

// BenchmarkHidden prints how late rungs are heard from a page that is hidden
// for long while nothing else sounds: somebody else presses [look] for most of
// the time, so that the page is silent, and three times nobody does.
func BenchmarkHidden(b *testing.B) {
	found := newTable(fmt.Sprintf("Hidden for %s, magnitude", *hiddenFor))
	each(b, "run", func(b *testing.B, run int) {
		o := newOuting(b, outingSetup{limit: *hiddenFor + benchLimit, roles: []string{"buddy"}})
		p := o.phones[0]
		o.hold(b, "pool", 900)
		front := p.newTab(b)
		front.run(b, page.BringToFront())
		p.waitFor(b, "document.visibilityState === 'hidden'")
		hold := eval[string](b, p.browser, "buddyclock.frame().hold.id")
		began := time.Now()
		var late []float64
		missed := 0
		for part := 1; part <= 3; part++ {
			for time.Since(began) < *hiddenFor*time.Duration(part)/3-45*time.Second {
				o.witness.record(b, hold, "answered", "buddy")
				o.witness.measure(b, 1)
				p.until(b, time.Now().Add(4*time.Second), p.len())
			}
			o.witness.record(b, hold, "answered", "buddy")
			p.waitFor(b, "buddyclock.frame().now - buddyclock.frame().status.last_proof_at < 2000")
			due := map[string]time.Time{}
			for _, rung := range []string{"again", "alarm"} {
				due[rung] = o.witness.instant(p.due(b, rung))
			}
			p.until(b, due["alarm"].Add(2*time.Second), p.len())
			o.witness.measure(b, 20)
			for rung, at := range due {
				if off, heard := p.onsetNear(at, riseOf[rung]); heard {
					late = append(late, max(off, -off))
				} else {
					missed++
				}
			}
		}
		if missed > 0 {
			fmt.Printf("run %d: %d rungs not heard within half a second\n", run, missed)
		}
		p.room.keep(b, fmt.Sprintf("hidden-%d", run))
		found.add("again and alarm", late)
	})
	found.print()
}
