package simulation

import (
	"flag"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	firstSeed = flag.Uint64("seed", 1, "seed of the first outing")
	allSteps  = flag.Int("steps", 50_000, "steps to take in all")
)

// outing is how many steps one seed takes at most: three to five holds. A page
// that has seen many holds grows slow here, and tells nothing new.
const outing = 12_500

// replay is what to call to see a run again.
func replay(seed uint64, steps int) string {
	return fmt.Sprintf("go test ./server/simulation -run TestH08Simulation -seed %d -steps %d", seed, steps)
}

// Ensures that nothing is lost, doubled, quiet or told differently, whatever breaks: over outings of all seeds from
// -seed on, until -steps steps are taken.
func TestH08Simulation(t *testing.T) {
	page, err := packPage(defect{})
	require.NoError(t, err)
	for n := 0; n*outing < *allSteps; n++ {
		seed, steps := *firstSeed+uint64(n), min(outing, *allSteps-n*outing)
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			w := newWorld(seed, page, defect{})
			if err := w.run(steps); err != nil {
				report(t, seed, steps, err)
				return
			}
			t.Logf("%d steps, %.0f min, %d statuses compared, %d rungs sounded in time, %d times all agreed",
				w.steps, float64(w.now-beginning)/float64(minute), w.watch.compared, w.watch.rungs, w.watch.agreed)
			require.Positive(t, w.watch.agreed)
			require.Positive(t, w.watch.compared)
		})
	}
}

func report(t *testing.T, seed uint64, steps int, err error) {
	t.Helper()
	b := err.(*broken)
	t.Errorf("seed %d, step %d: %v\n\nwhat came before:\n%s\n\nto see it again: %s", seed, b.steps, b, b.trace, replay(seed, steps))
}

// Ensures that a seed tells everything: the same one gives the same outing.
func TestASeedReplays(t *testing.T) {
	page, err := packPage(defect{})
	require.NoError(t, err)
	tell := func() string {
		w := newWorld(*firstSeed, page, defect{})
		require.NoError(t, w.run(3000))
		return fmt.Sprintf("%d %d %d %v", w.steps, w.now, w.watch.compared, w.trace)
	}
	require.Equal(t, tell(), tell())
}

// defect is a mistake put in on purpose: words of a file of the page that are
// changed as it is packed, or something that the host does.
type defect struct {
	name           string
	file, old, new string
	host           string
	finds          string // the rule that must be seen broken
}

// What a host can do wrong.
const (
	ackBeforeSync = "acknowledges before its disk has it"
)

// within is how many steps the simulator has to find a defect in, at most, and
// from how many seeds.
const (
	within = 10_000
	seeds  = 6
)

// Ensures that the simulator sees mistakes: each of these is found, by the rule that it breaks.
func TestFindsWhatIsWrong(t *testing.T) {
	for _, d := range []defect{
		{
			name: "the host acknowledges before its disk has it", host: ackBeforeSync,
			finds: "no acknowledged event is lost",
		},
		{
			name: "nobody takes over from a device that is unheard",
			file: "web/app/rungs.js", old: "inTurn.filter((p) => p.mine || p.age_ms <= limit)", new: "inTurn",
			finds: "each rung is sounded",
		},
		{
			name: "the page's fold leaves out a kind",
			file: "web/rules/apply.js", old: "case 'asked':", new: "case 'asked-never':",
			finds: "the same events give the same state",
		},
		{
			name: "what is sent again gets a new id",
			file: "web/sync/outbox.js", old: "batch.push(w.event);",
			new:   "batch.push(w.tries++ > 0 ? { ...w.event, id: w.event.id.slice(0, 11) + String(Number(w.event.id.slice(11)) + 500).padStart(6, '0') } : w.event);",
			finds: "after healing all agree",
		},
		{
			name: "a phone sends only once",
			file: "web/sync/outbox.js", old: "if (!again && now - w.sentAt < RESEND_MS) continue;", new: "if (w.sentAt > -Infinity) continue;",
			finds: "after healing all agree",
		},
		{
			name: "the clock claims half of its doubt",
			file: "web/app/time.js", old: "return e.doubt_ms + drift + stepMs + Math.abs(lead());", new: "return e.doubt_ms / 4;",
			finds: "a clock is as true as it says",
		},
		{
			name: "the shown time may step back",
			file: "web/app/time.js", old: "if (inHold && t < lastShown) return lastShown;", new: "",
			finds: "one clock never goes back in a hold",
		},
		{
			name: "a phone leaves out what others had before it came back",
			file: "web/sync/connection.js", old: "hearEvents(m.events, m.more === true);\n        env.say({\n          type: 'welcome',", new: "env.say({\n          type: 'welcome',",
			finds: "after healing all agree",
		},
	} {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			page, err := packPage(d)
			require.NoError(t, err)
			for seed := uint64(1); seed <= seeds; seed++ {
				err := newWorld(seed, page, d).run(within)
				if err == nil {
					continue
				}
				b := err.(*broken)
				require.Equal(t, d.finds, b.rule, "%v\n%s", b, b.trace)
				t.Logf("seed %d, step %d: %v", seed, b.steps, b)
				return
			}
			t.Errorf("not found in %d × %d steps", seeds, within)
		})
	}
}
