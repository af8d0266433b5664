package e2e

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// settled is how long a clock has before its errors count.
const settled = 10 * time.Second

// watched is how long they are looked at.
const watched = 20 * time.Second

// BenchmarkClock prints the true error of the time a page shows, over wires of
// several kinds, also with a coarse clock and one that runs fast. A shown doubt
// smaller than the true error fails it.
func BenchmarkClock(b *testing.B) {
	found := newTable("Error of the shown time; doubt as shown")
	for _, c := range []struct {
		name  string
		wire  wire
		clock oddClock
	}{
		{"loopback", wire{}, oddClock{}},
		{"20 ± 15 ms each way, 1 % loss", wireOf(20*time.Millisecond, 15*time.Millisecond, 0.01), oddClock{}},
		{"10 ± 7.5 ms up, 40 ± 30 ms down", wire{leg{10e6, 75e5, 0}, leg{40e6, 30e6, 0}}, oddClock{}},
		{"10 ms up, 40 ms down, constant", wire{leg{10e6, 0, 0}, leg{40e6, 0, 0}}, oddClock{}},
		{"loopback, clock of 1 ms", wire{}, oddClock{stepMs: 1}},
		{"loopback, clock 50 ppm fast", wire{}, oddClock{ppm: 50}},
		{"20 ± 15 ms, 1 % loss, clock of 1 ms, 50 ppm fast", wireOf(20*time.Millisecond, 15*time.Millisecond, 0.01), oddClock{stepMs: 1, ppm: 50}},
	} {
		each(b, c.name, func(b *testing.B, _ int) {
			errors, doubts := clockErrors(b, c.wire, c.clock)
			found.add(c.name, errors)
			found.add(c.name+": doubt", doubts)
		})
	}
	found.print()
}

// clockErrors runs one page over a wire in a hold, and gives the magnitude of
// the true error and the shown doubt of each of many instants.
func clockErrors(b *testing.B, w wire, c oddClock) (errors, doubts []float64) {
	b.Helper()
	o := newOuting(b, outingSetup{limit: benchLimit, roles: []string{"buddy"}, clock: c, wire: w})
	p := o.phones[0]
	o.hold(b, "dry", 900)
	truth := serveTruth(b)
	time.Sleep(settled)
	eval[bool](b, p.browser, `(() => {
		globalThis.seen = [];
		globalThis.seeing = setInterval(() => seen.push(`+readShown+`), 100);
		return true;
	})()`)
	time.Sleep(watched)
	pageToOwn := p.trueTime(b, truth)
	o.witness.measure(b, 100)
	// How well the truth itself is known.
	unsure := pageToOwn.half() + o.witness.shared.half()
	for _, seen := range eval[[][]float64](b, p.browser, "clearInterval(seeing), seen") {
		if seen[2] < 0 {
			continue
		}
		off := math.Abs(seen[1] - (seen[0] + pageToOwn.middle() + o.witness.shared.middle()))
		assert.LessOrEqual(b, off, seen[2]+seen[3]+unsure, "a true error beyond the shown doubt")
		errors = append(errors, off)
		doubts = append(doubts, seen[2])
	}
	b.Logf("%d readings, the truth known within %.2f ms", len(errors), unsure)
	return errors, doubts
}
