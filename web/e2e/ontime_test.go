package e2e

import (
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// In the final stage a prompt comes 6 s after a proof, and an alarm 7 s later.
const toFinal = `{ what: 'blue' }`

// The buddy's phone is frozen before a rung. The other phone takes its rungs
// and is heard; thawed, the first one knows how long it was away and has its
// rungs back, and the other is quiet again.
func TestH03AnotherPhoneTakesOverAndGivesBack(t *testing.T) {
	t.Parallel() // it mostly waits
	o := newOuting(t, outingSetup{limit: 4 * time.Minute, roles: []string{"buddy", "buddy"}})
	o.hold(t, "dry", 240)
	buddy, other := o.phones[0], o.phones[1]
	for _, role := range []string{"buddy", "siren", "diver"} {
		t.Run(role, func(t *testing.T) {
			if role != "buddy" {
				eval[bool](t, other.browser, "buddyclock.changeRole('"+role+"').then(() => true)")
			}
			other.waitFor(t, "buddyclock.frame().me.role === '"+role+"' && buddyclock.frame().link.state === 'live'")
			o.does(t, buddy, "sign", toFinal)
			o.does(t, buddy, "answered", "{}")
			// A machine that starves the sound makes it a fault for ten seconds.
			buddy.waitFor(t, takes+" && buddyclock.frame().sound.state === 'proven'")
			other.waitFor(t, "!("+takes+") && buddyclock.frame().sound.state === 'proven'")
			o.does(t, buddy, "answered", "{}")

			due := o.witness.instant(buddy.due(t, "prompt"))
			buddy.freeze(t)
			frozen := time.Now()
			other.waitFor(t, takes)
			t.Logf("taken over %d ms after the freeze", time.Since(frozen).Milliseconds())
			heard := other.heardAt(t, due.Add(-100*time.Millisecond), due.Add(15*time.Second))
			require.False(t, heard.IsZero(), "the other phone was not heard")
			t.Logf("heard there %d ms after it was due", heard.Sub(due).Milliseconds())

			buddy.thaw(t)
			buddy.waitFor(t, "document.visibilityState === 'visible' && buddyclock.frame().away !== null")
			buddy.waitFor(t, takes)
			other.waitFor(t, "!("+takes+")")
			assert.Less(t, eval[float64](t, buddy.browser, "buddyclock.frame().away.ms"), float64(time.Since(frozen).Milliseconds()+100))
			// The next prompt is the buddy's phone's alone. Where the machine starved
			// its sound the other rightly took over once more, and it is tried again.
			for {
				buddy.waitFor(t, takes+" && buddyclock.frame().sound.state === 'proven'")
				other.waitFor(t, "!("+takes+")")
				eval[bool](t, other.browser, `(() => { globalThis.tookAgain = 0; clearInterval(globalThis.looking);
					globalThis.looking = setInterval(() => { tookAgain += `+takes+` ? 1 : 0; }, 20); return true; })()`)
				answered := o.does(t, buddy, "answered", "{}")
				next := o.witness.instant(buddy.due(t, "prompt"))
				alone := !buddy.heardAt(t, next.Add(-100*time.Millisecond), next.Add(3*time.Second)).IsZero()
				o.does(t, buddy, "answered", "{}")
				quiet := o.witness.instant(answered).Add(300 * time.Millisecond)
				sounds := other.pulsesSince(quiet)
				if eval[int](t, other.browser, "tookAgain") > 0 {
					continue
				}
				assert.True(t, alone, "the buddy's phone is not heard")
				assert.Empty(t, sounds, "the other phone sounds too")
				break
			}
		})
	}
}

// Wall clock set an hour on and back, then a freeze of 20 s: each un-syncs the
// clock until the server has been asked anew, the shown time never steps back,
// and it stays within the shown doubt of the truth, although the phone's own
// clock runs 200 ppm fast.
func TestH06JumpsUnsyncAndTheTimeStaysTrue(t *testing.T) {
	t.Parallel() // it mostly waits
	o := newOuting(t, outingSetup{limit: 4 * time.Minute, roles: []string{"buddy"}, clock: oddClock{ppm: 200}})
	p := o.phones[0]
	o.hold(t, "dry", 240)
	truth := serveTruth(t)
	eval[bool](t, p.browser, `(() => {
		globalThis.backward = 0;
		globalThis.unsynced = 0;
		// Seen where the page asks anew: on one machine the answer can be there within a millisecond.
		const post = Worker.prototype.postMessage;
		Worker.prototype.postMessage = function (message, ...rest) {
			if (message.do === 'jump' && !buddyclock.clock().synced) unsynced += 1;
			return post.call(this, message, ...rest);
		};
		let last = 0;
		setInterval(() => {
			const now = buddyclock.now();
			if (now < last) backward += 1;
			last = now;
		}, 10);
		return true;
	})()`)
	isTrue := func() {
		t.Helper()
		p.waitFor(t, "buddyclock.clock().synced && buddyclock.frame().link.state === 'live'")
		shown := eval[[]float64](t, p.browser, readShown)
		page := p.trueTime(t, truth)
		o.witness.measure(t, 50)
		off := shown[1] - (shown[0] + page.middle() + o.witness.shared.middle())
		assert.InDelta(t, 0, off, shown[2]+shown[3]+page.half()+o.witness.shared.half(), "a true error beyond the shown doubt")
	}
	isTrue()
	for i, step := range []string{"3600000", "-3600000"} {
		eval[bool](t, p.browser, "(() => { const real = Date.now; Date.now = () => real() + ("+step+"); return true; })()")
		p.waitFor(t, "unsynced === "+[]string{"1", "2"}[i])
		isTrue()
	}
	before := eval[int](t, p.browser, "unsynced")
	p.freeze(t)
	frozen := time.Now()
	p.until(t, frozen.Add(20*time.Second), p.len())
	p.thaw(t)
	p.waitFor(t, "unsynced > "+strconv.Itoa(before))
	isTrue()
	assert.Zero(t, eval[int](t, p.browser, "backward"), "the shown time stepped back")
	away := eval[float64](t, p.browser, "buddyclock.frame().away.ms")
	assert.InDelta(t, 20_000, away, 5000, "how long it was away")
}
