package simulation

import (
	"flag"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	firstSeed = flag.Uint64("seed", 1, "seed of the first outing")
	allSteps  = flag.Int("steps", 50_000, "steps to take in all")
)

// outing is how many steps one seed takes at most: a few minutes with one to three
// holds. A page that has seen many holds grows slow here, and tells nothing new.
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
		// Names of the host's clocks are drawn by the host itself.
		trace := regexp.MustCompile(`"clock_id":"[^"]*"`).ReplaceAllString(strings.Join(w.trace, "\n"), "")
		return fmt.Sprintf("%d %d %d %s", w.steps, w.now, w.watch.compared, trace)
	}
	require.Equal(t, tell(), tell())
}
