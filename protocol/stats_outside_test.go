package protocol_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"buddyclock/protocol"
)

// The figures of the log against gonum, which shares no code with them, and against a published example.

// Ensures that medians and quarter values are those of gonum's empirical distribution, for every count of holds.
func TestQuantilesAgreeWithGonum(t *testing.T) {
	random := rand.New(rand.NewPCG(*randomSeed, 11))
	dry := protocol.SettingDry
	for range 300 {
		log := make([]protocol.LogHold, 3+random.IntN(18))
		values, negative := make([]float64, len(log)), make([]float64, len(log))
		for i := range log {
			v := random.Int64N(200)
			log[i] = protocol.LogHold{Clean: true, Setting: &dry, FirstContractionMs: &v}
			values[i], negative[i] = float64(v), -float64(v)
		}
		slices.Sort(values)
		slices.Sort(negative)
		got := protocol.ExpectationsOf(log, &dry).Onset
		require.EqualValues(t, stat.Quantile(0.25, stat.Empirical, values, nil), *got.Low, values)
		require.EqualValues(t, stat.Quantile(0.75, stat.Empirical, values, nil), *got.High, values)
		lower, upper := stat.Quantile(0.5, stat.Empirical, values, nil), -stat.Quantile(0.5, stat.Empirical, negative, nil)
		require.EqualValues(t, math.Floor((lower+upper)/2), *got.Value, values)
	}
}

// kendallS gives Kendall's S of the days and what remains of the values beside a slope per 30 days.
func kendallS(points []protocol.Point, slope int64) float64 {
	days, rests := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		days[i], rests[i] = float64(p.Day), float64(p.Value)-float64(slope)*float64(p.Day)/30
	}
	n := float64(len(points))
	return stat.Kendall(days, rests, nil) * n * (n - 1) / 2
}

// Ensures, by gonum's Kendall tau, that the slope leaves no trend behind, and that a slope beside either limit leaves one that
// a test at 5 % sees: that is how Sen defines the interval.
func TestLineLeavesNoTrendBehind(t *testing.T) {
	random := rand.New(rand.NewPCG(*randomSeed, 12))
	z := distuv.UnitNormal.Quantile(0.975)
	require.InDelta(t, 1.96, z, 0.0001)
	for range 300 {
		var points []protocol.Point
		day := int64(0)
		for range 6 + random.IntN(40) {
			day += 1 + random.Int64N(9)
			points = append(points, protocol.Point{Day: day, Value: random.Int64N(1_000_000_000) + day*random.Int64N(10_000_000)})
		}
		line := protocol.RobustLine(points)
		n := float64(len(points))
		sigma := math.Sqrt(n * (n - 1) * (2*n + 5) / 18)
		require.LessOrEqual(t, math.Abs(kendallS(points, line.Per30Days)), 1.5)
		require.Greater(t, kendallS(points, line.Low-2), z*sigma)
		require.Less(t, kendallS(points, line.High+2), -z*sigma)
		require.LessOrEqual(t, line.Low, line.Per30Days)
		require.LessOrEqual(t, line.Per30Days, line.High)
	}
}

// Ensures that the interval holds the true slope about as often as it says, with noise of gonum's normal distribution.
func TestLineIntervalCovers(t *testing.T) {
	const sets = 800
	noise := distuv.Normal{Mu: 0, Sigma: 20_000, Src: rand.NewPCG(*randomSeed, 13)}
	covered := 0
	for range sets {
		var points []protocol.Point
		for day := range int64(12) {
			points = append(points, protocol.Point{Day: day * 3, Value: 100_000 + day*3*500 + int64(noise.Rand())})
		}
		line := protocol.RobustLine(points)
		if line.Low <= 15_000 && 15_000 <= line.High { // 500 a day
			covered++
		}
	}
	t.Logf("the interval held the true slope in %d of %d sets", covered, sets)
	require.Greater(t, covered, sets*93/100)
	require.Less(t, covered, sets*99/100)
}

// Ensures that the published example comes out. Sen, Estimates of the regression coefficient based on Kendall's tau, JASA 63
// (1968): data and slope 4 as the tests of the R package deming have them (the paper was not at hand; by those tests its
// own interval has a mistake, and the right one at 93 % is 26/7 to 35/8, the fourth slopes from either end). At 95 % the third
// ones are taken: 11/3 and 5.
func TestLineAgreesWithSen(t *testing.T) {
	days, values := []int64{1, 2, 3, 4, 10, 12, 18}, []int64{9, 15, 19, 20, 45, 55, 78}
	points := make([]protocol.Point, len(days))
	for i := range days {
		points[i] = protocol.Point{Day: days[i], Value: values[i] * 1_000}
	}
	line := protocol.RobustLine(points)
	require.EqualValues(t, 4_000*30, line.Per30Days)
	require.EqualValues(t, 11_000*30/3, line.Low)
	require.EqualValues(t, 5_000*30, line.High)
}
