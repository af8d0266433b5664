package e2e

import (
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The bench measures how far sounds and clocks are from where they should be:
//
//	go test ./web/e2e -run '^$' -bench . -benchtime 1x -timeout 90m
//
// It starts the real program, real Chromium pages, a sound server whose sink
// is recorded, and a proxy that delays as a Wi-Fi does. It prints one table a
// benchmark, with the machine's load beside each run; nothing fails for being
// slow, but a true error beyond the shown doubt does.
var (
	benchRuns = flag.Int("runs", 3, "how often the bench measures each figure")
	keepWAV   = flag.String("wav", "", "folder in which the bench keeps what it recorded")
	hiddenFor = flag.Duration("hidden", 10*time.Minute, "how long the bench keeps a page hidden")
)

// benchLimit bounds one run of a benchmark.
const benchLimit = 15 * time.Minute

// table collects one row a run and figure.
type table struct {
	title string
	rows  map[string][]row
	order []string
}

type row struct {
	values []float64
	load   string
}

func newTable(title string) *table { return &table{title: title, rows: map[string][]row{}} }

// add keeps what one run found.
func (c *table) add(what string, values []float64) {
	if _, known := c.rows[what]; !known {
		c.order = append(c.order, what)
	}
	load, _ := os.ReadFile("/proc/loadavg")
	fields := strings.Fields(string(load))
	if len(fields) == 0 {
		fields = []string{"unknown"}
	}
	c.rows[what] = append(c.rows[what], row{values, fields[0]})
}

// print gives a line for each run and the medians over all runs.
func (c *table) print() {
	fmt.Printf("\n%s (ms)\n%-52s %5s %8s %8s %8s %8s  %s\n", c.title, "", "n", "median", "p95", "p99", "max", "load")
	for _, what := range c.order {
		var medians [4][]float64
		for i, r := range c.rows[what] {
			at := quantiles(r.values)
			for k := range medians {
				medians[k] = append(medians[k], at[k])
			}
			fmt.Printf("%-52s %5d %8.2f %8.2f %8.2f %8.2f  %s\n", fmt.Sprintf("%s, run %d", what, i+1), len(r.values), at[0], at[1], at[2], at[3], r.load)
		}
		fmt.Printf("%-52s %5s %8.2f %8.2f %8.2f %8.2f\n", "  median of the runs", "", middleOf(medians[0]), middleOf(medians[1]), middleOf(medians[2]), middleOf(medians[3]))
	}
}

// quantiles gives median, p95, p99 and the largest.
func quantiles(values []float64) [4]float64 {
	if len(values) == 0 {
		return [4]float64{math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	}
	sorted := slices.Sorted(slices.Values(values))
	at := func(q float64) float64 { return sorted[int(math.Ceil(q*float64(len(sorted))))-1] }
	return [4]float64{middleOf(sorted), at(0.95), at(0.99), sorted[len(sorted)-1]}
}

func middleOf(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// each measures as often as asked for, every time with a server, pages and a
// sound server of its own that are gone before the next ones start.
func each(b *testing.B, name string, measure func(b *testing.B, run int)) {
	for run := range *benchRuns {
		b.Run(fmt.Sprintf("%s/%d", name, run+1), func(b *testing.B) {
			b.ReportMetric(0, "ns/op")
			measure(b, run+1)
		})
	}
}

// keep writes the recording into the folder asked for.
func (r *soundRoom) keep(b *testing.B, name string) {
	if *keepWAV == "" {
		return
	}
	require.NoError(b, os.WriteFile(filepath.Join(*keepWAV, name+".wav"), r.wav(), 0o600))
}

// wav gives the recording as a WAV file of 16-bit samples.
func (r *soundRoom) wav() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	channels := len(r.ears)
	n := len(r.ears[0].heard)
	for _, e := range r.ears {
		n = min(n, len(e.heard))
	}
	size := 2 * n * channels
	out := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(36+size))...)
	out = append(out, "WAVEfmt "...)
	out = binary.LittleEndian.AppendUint32(out, 16)
	out = binary.LittleEndian.AppendUint16(out, 1)
	out = binary.LittleEndian.AppendUint16(out, uint16(channels))
	out = binary.LittleEndian.AppendUint32(out, sampleRate)
	out = binary.LittleEndian.AppendUint32(out, uint32(2*channels*sampleRate))
	out = binary.LittleEndian.AppendUint16(out, uint16(2*channels))
	out = binary.LittleEndian.AppendUint16(out, 16)
	out = append(out, "data"...)
	out = binary.LittleEndian.AppendUint32(out, uint32(size))
	for i := range n {
		for _, e := range r.ears {
			out = binary.LittleEndian.AppendUint16(out, uint16(e.heard[i]))
		}
	}
	return out
}

// busyLoop runs a process that does nothing as fast as it can, until the end.
func busyLoop(b *testing.B) (stop func()) {
	b.Helper()
	c := exec.Command("sh", "-c", "while :; do :; done")
	require.NoError(b, c.Start())
	return func() {
		_ = c.Process.Kill()
		_ = c.Wait()
	}
}

// lateMs is how long after an instant something was, in ms.
func lateMs(at, due time.Time) float64 { return float64(at.Sub(due).Microseconds()) / 1000 }
