package protocol_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// clockRuns is how many random links and clocks the properties of the clock
// estimate are tried on.
const clockRuns = 400

// roundingMs is what rounding four stamps to whole µs may add to a bound.
const roundingMs = 0.003

// simClock is a device's clock beside the server's: how they part is known.
type simClock struct {
	random *rand.Rand
	stepMs float64
	jitter bool // as Chromium coarsens: down or up to the next step at random
	d      float64
	shown  float64
	offset float64 // server minus device, the truth
	ppm    float64 // how fast it changes now
	worst  float64
}

// pass lets time go by, with a rate that changes now and then.
func (c *simClock) pass(ms float64) {
	if c.random.IntN(20) == 0 {
		c.ppm = c.worst * (2*c.random.Float64() - 1)
		if c.random.IntN(3) == 0 {
			c.ppm = math.Copysign(c.worst, c.ppm)
		}
	}
	c.d += ms
	c.offset += ms * c.ppm / 1e6
}

// read is what the device's clock shows.
func (c *simClock) read() float64 {
	if c.stepMs == 0 {
		return c.d
	}
	down := math.Floor(c.d/c.stepMs) * c.stepMs
	if c.jitter && c.random.Float64() < (c.d-down)/c.stepMs {
		down += c.stepMs
	}
	c.shown = max(c.shown, down)
	return c.shown
}

// server is what the server stamps: µs, rounded down.
func (c *simClock) server() float64 { return math.Floor((c.d+c.offset)*1000) / 1000 }

// simLink delays each way for itself.
type simLink struct {
	name     string
	up, down func(r *rand.Rand) float64
}

func even(low, high float64) func(r *rand.Rand) float64 {
	return func(r *rand.Rand) float64 { return low + (high-low)*r.Float64() }
}

func sometimes(base, rare func(r *rand.Rand) float64, share float64) func(r *rand.Rand) float64 {
	return func(r *rand.Rand) float64 {
		if r.Float64() < share {
			return base(r) + rare(r)
		}
		return base(r)
	}
}

var simLinks = []simLink{
	{"loopback", even(0.03, 0.2), even(0.03, 0.2)},
	{"next to no delay", even(0.002, 0.003), even(0.002, 0.003)},
	{"Wi-Fi-like", even(5, 35), even(5, 35)},
	{"10 ms up and 40 ms down", even(10, 10), even(40, 40)},
	{"one leg asleep", even(2, 5), sometimes(even(2, 5), even(100, 1000), 0.4)},
	{"seconds on the way", even(0, 3000), even(0, 2000)},
	{"rarely quick", sometimes(even(0.1, 0.2), even(0, 4000), 0.9), sometimes(even(0.1, 0.2), even(0, 4000), 0.9)},
}

// exchange asks the server once over a link.
func (c *simClock) exchange(link simLink) protocol.Exchange {
	var e protocol.Exchange
	e.T1 = c.read()
	c.pass(link.up(c.random))
	e.T2 = c.server()
	c.pass(0.05 * c.random.Float64())
	e.T3 = c.server()
	c.pass(link.down(c.random))
	e.T4 = c.read()
	return e
}

func newSimClock(n int, worst float64) *simClock {
	random := rand.New(rand.NewPCG(*randomSeed, uint64(n)))
	return &simClock{
		random: random,
		stepMs: []float64{0, 0.005, 0.1, 1, 2, 16}[random.IntN(6)],
		jitter: random.IntN(2) == 0,
		d:      random.Float64() * 1e7,
		offset: 1_790_000_000_000 + random.Float64()*1e6,
		worst:  worst,
		ppm:    worst * (2*random.Float64() - 1),
	}
}

// Ensures that the true offset lies within the doubt, whatever the delays, the
// step of the device's clock and its drift within 200 ppm, steady or not, also
// long after the last exchange, and over jumps that the device knows of.
func TestH06TheTruthLiesWithinTheDoubt(t *testing.T) {
	readings := 0
	for n := range clockRuns {
		c := newSimClock(n, 200)
		link := simLinks[n%len(simLinks)]
		estimate := protocol.NewClockEstimate(c.stepMs, protocol.WorstDriftPpm)
		id := 0
		about := fmt.Sprintf("run %d, %s, step %g ms", n, link.name, c.stepMs)
		check := func() {
			reading := estimate.At(c.read())
			if !reading.Known {
				return
			}
			readings++
			if off := math.Abs(reading.OffsetMs - c.offset); off > reading.DoubtMs+roundingMs {
				t.Fatalf("%s: off by %.4f ms, said %.4f", about, off, reading.DoubtMs)
			}
		}
		for range 150 {
			switch c.random.IntN(40) {
			case 0: // the device slept, and noticed
				c.offset += 5000 * c.random.Float64()
				estimate = protocol.NewClockEstimate(c.stepMs, protocol.WorstDriftPpm)
			case 1: // the server started anew
				c.offset += []float64{20, 1e6}[c.random.IntN(2)] * (2*c.random.Float64() - 1)
				id++
				require.True(t, estimate.Add(c.exchange(link), fmt.Sprint(id)), about)
			case 2:
				c.pass(60_000 * c.random.Float64())
			default:
				if c.random.IntN(5) > 0 {
					require.True(t, estimate.Add(c.exchange(link), fmt.Sprint(id)), about)
				}
				c.pass([]float64{50, 50, 50, 2000, 10_000}[c.random.IntN(5)] * c.random.Float64())
			}
			check()
		}
	}
	require.Greater(t, readings, clockRuns*100)
}

// Ensures that the bound is worth something: at the pace of a hold the doubt is
// that of the best exchange lately, and 200 ppm of a few seconds.
func TestH06TheDoubtIsSmallAtThePaceOfAHold(t *testing.T) {
	for n := range 60 {
		c := newSimClock(n, 200)
		estimate := protocol.NewClockEstimate(c.stepMs, protocol.WorstDriftPpm)
		for range 100 {
			for range 4 {
				estimate.Add(c.exchange(simLinks[0]), "1")
				c.pass(50)
			}
			c.pass(1800)
			reading := estimate.At(c.read())
			require.True(t, reading.Synced)
			require.Less(t, reading.DoubtMs, 0.9+2.5*c.stepMs, "run %d, step %g ms", n, c.stepMs)
		}
	}
}

// Ensures that a jump nobody told of is found by the first exchange that
// contradicts what was known, and that four of them make the clock good again.
func TestH06AJumpUnsyncs(t *testing.T) {
	for n := range 60 {
		c := newSimClock(n, 200)
		estimate := protocol.NewClockEstimate(c.stepMs, protocol.WorstDriftPpm)
		link := simLinks[2]
		for range 16 {
			estimate.Add(c.exchange(link), "1")
			c.pass(50)
		}
		require.True(t, estimate.At(c.read()).Synced)
		by := (400 + 1e6*c.random.Float64()) * float64(1-2*c.random.IntN(2))
		c.offset += by
		for k := range 4 {
			require.True(t, estimate.Add(c.exchange(link), "1"))
			reading := estimate.At(c.read())
			require.Equal(t, k == 3, reading.Synced, "run %d, %.0f ms, exchange %d after it", n, by, k)
			require.InDelta(t, c.offset, reading.OffsetMs, reading.DoubtMs+roundingMs)
		}
	}
}
