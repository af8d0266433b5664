package e2e

import (
	"bufio"
	"context"
	"encoding/binary"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const sampleRate = 48000

// ear records what a browser really plays: a sound server of its own with a
// sink that goes nowhere, and a recorder on that sink.
type ear struct {
	server string // for the browser's environment
	mu     sync.Mutex
	heard  []float64
	marks  []mark
}

// mark says that n samples had arrived by then.
type mark struct {
	n  int
	at time.Time
}

// listen starts recording; it ends with the test.
func listen(t *testing.T, ctx context.Context) *ear {
	t.Helper()
	for _, name := range []string{"pulseaudio", "pactl", "parec"} {
		_, err := exec.LookPath(name)
		require.NoError(t, err, "install the packages pulseaudio and pulseaudio-utils: sound that nobody heard has not been tested")
	}
	dir := t.TempDir()
	socket := filepath.Join(dir, "socket")
	e := &ear{server: "PULSE_SERVER=unix:" + socket}
	home := []string{"HOME=" + dir, "XDG_RUNTIME_DIR=" + dir, "PATH=/usr/bin:/bin", e.server}

	daemon := exec.CommandContext(ctx, "pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
		"-L", "module-null-sink sink_name=heard rate=48000 channels=1",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket="+socket)
	daemon.Env = home
	require.NoError(t, daemon.Start())
	t.Cleanup(func() {
		_ = daemon.Process.Kill()
		_ = daemon.Wait()
	})
	require.Eventually(t, func() bool {
		info := exec.CommandContext(ctx, "pactl", "info")
		info.Env = home
		return info.Run() == nil
	}, 10*time.Second, 50*time.Millisecond, "the sound server did not come up")

	recorder := exec.CommandContext(ctx, "parec", "--device=heard.monitor", "--raw", "--format=s16le", "--rate=48000",
		"--channels=1", "--latency-msec=10")
	recorder.Env = home
	out, err := recorder.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, recorder.Start())
	done := make(chan struct{})
	go func() {
		defer close(done)
		e.take(out)
	}()
	t.Cleanup(func() {
		_ = recorder.Process.Kill()
		<-done
		_ = recorder.Wait()
	})
	require.Eventually(t, func() bool { return e.len() > 0 }, 10*time.Second, 20*time.Millisecond, "nothing recorded")
	return e
}

func (e *ear) take(from io.Reader) {
	in := bufio.NewReaderSize(from, 1<<12)
	raw := make([]byte, 1<<12)
	for {
		n, err := io.ReadAtLeast(in, raw, 2)
		at := time.Now()
		if err == nil && n%2 == 1 {
			_, err = io.ReadFull(in, raw[n:n+1])
			n++
		}
		if err != nil {
			return
		}
		e.mu.Lock()
		for i := 0; i < n; i += 2 {
			e.heard = append(e.heard, float64(int16(binary.LittleEndian.Uint16(raw[i:])))/32768)
		}
		e.marks = append(e.marks, mark{len(e.heard), at})
		e.mu.Unlock()
	}
}

func (e *ear) len() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return len(e.heard)
}

// at gives the instant at which a sample was played: the earliest that any
// later arrival allows. It errs to the late side by what the recorder holds
// back at least.
func (e *ear) at(sample int) time.Time {
	e.mu.Lock()
	defer e.mu.Unlock()
	best := time.Time{}
	for _, m := range e.marks {
		if m.n < sample {
			continue
		}
		if m.n > sample+2*sampleRate {
			break
		}
		at := m.at.Add(-time.Duration(m.n-sample) * time.Second / sampleRate)
		if best.IsZero() || at.Before(best) {
			best = at
		}
	}
	return best
}

// until waits until the recording covers an instant and gives the samples
// from the first index on.
func (e *ear) until(t *testing.T, end time.Time, first int) []float64 {
	t.Helper()
	limit := time.Until(end) + 10*time.Second
	require.Eventually(t, func() bool {
		n := e.len()
		return n > 0 && e.at(n).After(end)
	}, limit, 10*time.Millisecond, "the recording stopped")
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]float64(nil), e.heard[first:]...)
}

// pulse is one burst of tone. Times are ms from the first sample given.
type pulse struct {
	first, last int     // samples between which it is above half its height
	at, width   float64 // half height to half height, ms
	peak, power float64 // highest sample; mean square between the two
}

// An overloaded machine tears small holes into what is played. What is closer
// together than any two pulses are is one pulse, and a splinter is none.
const (
	holeMs     = 30
	splinterMs = 5
)

// pulsesIn finds what rises above a floor (a share of full scale).
func pulsesIn(heard []float64, floor float64) []pulse {
	// Half a period of 400 Hz to either side, so that the running peak follows the height and not the wave.
	const half = sampleRate / 800
	height := runningPeak(heard, half)
	var found []pulse
	for i := 0; i < len(height); i++ {
		if height[i] <= floor {
			continue
		}
		end, top, quiet := i, 0.0, 0
		for ; end < len(height) && quiet < samples(holeMs); end++ {
			top = max(top, height[end])
			if quiet++; height[end] > floor {
				quiet = 0
			}
		}
		first, last := i, end-1-quiet
		i = end
		if last-first < samples(splinterMs) {
			continue
		}
		for height[first] < top/2 {
			first++
		}
		for height[last] < top/2 {
			last--
		}
		// The running peak reaches half a window beyond the pulse on either side.
		first, last = min(first+half, last), max(last-half, first)
		sum := 0.0
		for _, x := range heard[first : last+1] {
			sum += x * x
		}
		found = append(found, pulse{
			first: first, last: last,
			at: ms(first), width: ms(last - first + 1),
			peak: top, power: sum / float64(last-first+1),
		})
	}
	return found
}

// runningPeak gives the highest magnitude within half to either side of each sample.
func runningPeak(heard []float64, half int) []float64 {
	height := make([]float64, len(heard))
	var falling []int // indices with falling magnitude
	for i := 0; i < len(heard)+half; i++ {
		if i < len(heard) {
			for len(falling) > 0 && math.Abs(heard[falling[len(falling)-1]]) <= math.Abs(heard[i]) {
				falling = falling[:len(falling)-1]
			}
			falling = append(falling, i)
		}
		if j := i - half; j >= 0 {
			for falling[0] < j-half {
				falling = falling[1:]
			}
			height[j] = math.Abs(heard[falling[0]])
		}
	}
	return height
}

// levelAt gives the level of one frequency, in dB against full scale.
func levelAt(piece []float64, hz float64) float64 {
	n := len(piece)
	var re, im float64
	for i, x := range piece {
		x *= 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
		angle := 2 * math.Pi * hz * float64(i) / sampleRate
		re += x * math.Cos(angle)
		im += x * math.Sin(angle)
	}
	return 20 * math.Log10(4*math.Hypot(re, im)/float64(n)+1e-9)
}

func ms(samples int) float64     { return float64(samples) * 1000 / sampleRate }
func samples(ms float64) int     { return int(math.Round(ms * sampleRate / 1000)) }
func powerDB(p float64) float64  { return 10 * math.Log10(p+1e-12) }
func heightDB(h float64) float64 { return 20 * math.Log10(h+1e-9) }
