package demo

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that the dissociation curve is the published one: table 1 of
// Severinghaus, J Appl Physiol 46 (1979) 599, which the equation fits to 0.0055,
// and what the equation itself gives.
func TestSaturationIsSeveringhaus(t *testing.T) {
	for _, c := range []struct{ torr, table, equation float64 }{
		{10, 9.58, 9.653}, {20, 32.12, 31.977}, {30, 57.54, 57.377}, {40, 74.69, 74.946},
		{60, 90.85, 90.580}, {80, 95.84, 95.725}, {100, 97.49, 97.747}, {150, 98.77, 99.316},
	} {
		got := 100 * saturation(c.torr)
		require.InDelta(t, c.equation, got, 0.0006, "at %v Torr", c.torr)
		require.InDelta(t, c.table, got, 0.55, "at %v Torr", c.torr)
	}
	require.InDelta(t, 0.5, saturation(26.857), 1e-5)
	require.Zero(t, saturation(0))
}

// hold runs a body through an apnea and the time after it; seen is called each second.
func hold(b Body, apnea, after int, seen func(c *Course)) *Course {
	c := NewCourse(b)
	for s := range apnea + after {
		if s == apnea {
			c.Breathe()
		}
		c.Second()
		seen(c)
	}
	return c
}

// lowest gives the lowest saturation that the finger shows, percent, and its second.
func lowest(b Body, apnea int) (percent float64, at int) {
	percent = 100
	hold(b, apnea, 90, func(c *Course) {
		if p := 100 * c.finger; p < percent {
			percent, at = p, c.Seconds()
		}
	})
	return percent, at
}

// failsAt gives the second of apnea after which the diver would faint.
func failsAt(b Body) int {
	c := NewCourse(b)
	for c.Responds() {
		c.Second()
	}
	return c.Seconds() - 1
}

// fallsTo gives the second of apnea at which arterial saturation is at or below a share.
func fallsTo(b Body, share float64) (at int) {
	at = math.MaxInt
	hold(b, 600, 0, func(c *Course) {
		if c.Saturation() <= share {
			at = min(at, c.Seconds())
		}
	})
	return at
}

// An ordinary grown person and a trained diver, as far as published groups say.
var (
	novice  = Body{WeightKg: 68, LungL: 5.6, UptakeMl: 3.4, OnsetS: 89, RestHR: 78, DiveHR: 58, AnswerMs: 900, LagS: 20, FailsTorr: 20}
	trained = Body{WeightKg: 75, LungL: 7.0, UptakeMl: 3.5, OnsetS: 153, RestHR: 72, DiveHR: 46, AnswerMs: 800, LagS: 20, FailsTorr: 20}
)

// Ensures that bodies lose oxygen about as fast as measured people.
func TestBodiesAreLikeMeasuredOnes(t *testing.T) {
	// Pernett et al. 2023: 18 novices held 111 s; the lowest SpO2, after the hold, was 93.6 %.
	percent, at := lowest(novice, 111)
	require.InDelta(t, 93.6, percent, 3)
	require.Greater(t, at, 111)
	// Koskolou et al. 2023: 302 ± 60 s, lowest SaO2 46 ± 11 %, lowest heart rate 49 ± 8.
	var sa, hr float64
	c := hold(trained, 302, 60, func(c *Course) {
		_, beats := c.Finger()
		if s := c.Saturation(); sa == 0 || s < sa {
			sa = s
		}
		if hr == 0 || float64(beats) < hr {
			hr = float64(beats)
		}
	})
	require.InDelta(t, 46, 100*sa, 2*11)
	require.InDelta(t, 49, hr, 8)
	require.Greater(t, c.Saturation(), 0.95, "a minute later")
	// Stewart et al. 2005: steepest desaturation about 0.16 %/s in divers and 0.15
	// in controls, at the finger; heart rate 27 and 20 a minute lower.
	for _, g := range []struct {
		body    Body
		apnea   int
		percent float64
		beats   float64
	}{{trained, 246, 0.16, 27}, {novice, 129, 0.15, 20}} {
		var past []float64
		steepest := 0.0
		last := hold(g.body, g.apnea, 0, func(c *Course) {
			past = append(past, 100*c.finger)
			if n := len(past); n > 10 {
				steepest = max(steepest, (past[n-11]-past[n-1])/10)
			}
		})
		require.InDelta(t, g.percent, steepest, 0.1)
		require.InDelta(t, g.beats, g.body.RestHR-last.hr, 5)
	}
	// Common practice: a trained diver at rest sees 90 % some way into the third
	// minute and 80 % about a minute later.
	ninety, eighty := fallsTo(trained, 0.9), fallsTo(trained, 0.8)
	require.True(t, 130 <= ninety && ninety <= 200, "90 %% at %d s", ninety)
	require.True(t, 40 <= eighty-ninety && eighty-ninety <= 90, "80 %% at %d s", eighty)
}

// anyBody is a body within the ranges of grown people.
func anyBody(r *rand.Rand) Body {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	rest := between(55, 95)
	return Body{
		WeightKg: between(45, 110), LungL: between(3.5, 10), UptakeMl: between(2.5, 6), OnsetS: between(10, 240),
		RestHR: rest, DiveHR: rest - between(8, 35), AnswerMs: between(500, 1200), LagS: 15 + r.IntN(16), FailsTorr: between(18, 26),
	}
}

// Ensures of any body: no saturation rises in apnea; the finger shows nothing
// before its delay has passed, and its lowest value comes after surfacing; the
// heart stays within its bounds; contractions come ever faster and only in
// apnea; answers only become slower; all comes back after the first breaths.
func TestBodiesKeepTheirBounds(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	for range 60 {
		b := anyBody(r)
		apnea := min(60+r.IntN(240), failsAt(b))
		sa, finger, answer := 1.0, 1.0, 0.0
		var came []int
		count := 0
		c := hold(b, apnea, 150, func(c *Course) {
			s := c.Seconds()
			require.GreaterOrEqual(t, c.hr, b.DiveHR-1e-9)
			require.LessOrEqual(t, c.hr, b.RestHR+beforeHR)
			require.True(t, c.Saturation() >= 0 && c.Saturation() < 1)
			if c.Contractions() != count {
				require.Equal(t, count+1, c.Contractions())
				count = c.Contractions()
				came = append(came, s)
			}
			if s <= apnea {
				require.LessOrEqual(t, c.Saturation(), sa, "saturation rises in apnea")
				require.LessOrEqual(t, c.finger, finger+1e-12, "the finger's value rises in apnea")
				require.GreaterOrEqual(t, c.AnswerIn(), answer)
			}
			if s <= b.LagS {
				require.Equal(t, saturation(startTorr), c.finger, "the finger knows too early")
			}
			sa, finger, answer = c.Saturation(), c.finger, c.AnswerIn()
		})
		require.True(t, c.Responds())
		require.Greater(t, c.Saturation(), 0.95)
		require.InDelta(t, b.RestHR, c.hr, 1)
		for i, s := range came {
			require.GreaterOrEqual(t, float64(s), b.OnsetS)
			require.LessOrEqual(t, s, apnea)
			if i > 1 {
				require.LessOrEqual(t, s-came[i-1], came[i-1]-came[i-2]+1, "contractions slow down")
			}
		}
		_, at := lowest(b, apnea)
		require.Greater(t, at, apnea)
		require.LessOrEqual(t, at, apnea+reachesInSeconds+b.LagS+30)
	}
}

const reachesInSeconds = int(reachesInS)
