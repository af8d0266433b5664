package e2e

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const sampleRate = 48000

// ear records what a browser really plays: a channel of a sound server of its
// own, with a sink that goes nowhere, and a recorder on that sink.
type ear struct {
	server  []string // for the browser's environment
	channel string   // the channel's own sink, for suspend
	room    *soundRoom
	heard   []int16
}

// soundRoom is a sound server with one recorder for all its channels, so that
// what two browsers play can be compared to the sample.
type soundRoom struct {
	env   []string
	mu    sync.Mutex
	ears  []*ear
	marks []mark
}

// mark says that n samples had arrived by then.
type mark struct {
	n  int
	at time.Time
}

// listen starts recording one browser; it ends with the test.
func listen(t testing.TB, ctx context.Context) *ear {
	t.Helper()
	return listenTo(t, ctx, "front-left")[0]
}

// listenTwo records two browsers, one on each side of one recording.
func listenTwo(t testing.TB, ctx context.Context) (left, right *ear) {
	t.Helper()
	ears := listenTo(t, ctx, "front-left", "front-right")
	return ears[0], ears[1]
}

// listenTo records as many browsers as it has channels of one sink.
func listenTo(t testing.TB, ctx context.Context, channels ...string) []*ear {
	t.Helper()
	for _, name := range []string{"pulseaudio", "pactl", "parec"} {
		_, err := exec.LookPath(name)
		require.NoError(t, err, "install the packages pulseaudio and pulseaudio-utils: sound that nobody heard has not been tested")
	}
	dir := t.TempDir()
	socket := filepath.Join(dir, "socket")
	server := "PULSE_SERVER=unix:" + socket
	room := &soundRoom{env: []string{"HOME=" + dir, "XDG_RUNTIME_DIR=" + dir, "PATH=/usr/bin:/bin", server}}
	modules := []string{
		fmt.Sprintf("module-null-sink sink_name=heard rate=%d channels=%d channel_map=%s", sampleRate, len(channels), strings.Join(channels, ",")),
		"module-native-protocol-unix auth-anonymous=1 socket=" + socket,
	}
	for _, channel := range channels {
		modules = append(modules, fmt.Sprintf("module-remap-sink sink_name=%s master=heard channels=1 channel_map=mono master_channel_map=%s remix=no", channel, channel))
		room.ears = append(room.ears, &ear{server: []string{server, "PULSE_SINK=" + channel}, channel: channel, room: room})
	}
	arguments := []string{"-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"}
	for _, module := range modules {
		arguments = append(arguments, "-L", module)
	}
	daemon := exec.CommandContext(ctx, "pulseaudio", arguments...)
	daemon.Env = room.env
	require.NoError(t, daemon.Start())
	t.Cleanup(func() {
		_ = daemon.Process.Kill()
		_ = daemon.Wait()
	})
	require.Eventually(t, func() bool { return room.control(ctx, "info") == nil }, 10*time.Second, 50*time.Millisecond, "the sound server did not come up")

	recorder := exec.CommandContext(ctx, "parec", "--device=heard.monitor", "--raw", "--format=s16le", fmt.Sprintf("--rate=%d", sampleRate),
		fmt.Sprintf("--channels=%d", len(channels)), "--channel-map="+strings.Join(channels, ","), "--latency-msec=2")
	recorder.Env = room.env
	out, err := recorder.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, recorder.Start())
	done := make(chan struct{})
	go func() {
		defer close(done)
		room.take(out)
	}()
	t.Cleanup(func() {
		_ = recorder.Process.Kill()
		<-done
		_ = recorder.Wait()
	})
	require.Eventually(t, func() bool { return room.ears[0].len() > 0 }, 10*time.Second, 20*time.Millisecond, "nothing recorded")
	return room.ears
}

// control gives the sound server a command.
func (r *soundRoom) control(ctx context.Context, command ...string) error {
	c := exec.CommandContext(ctx, "pactl", command...)
	c.Env = r.env
	return c.Run()
}

func (r *soundRoom) take(from io.Reader) {
	in := bufio.NewReaderSize(from, 1<<12)
	raw := make([]byte, 1<<12)
	frame := 2 * len(r.ears)
	kept := 0
	for {
		n, err := in.Read(raw[kept:])
		at := time.Now()
		if err != nil {
			return
		}
		n += kept
		whole := n - n%frame
		r.mu.Lock()
		for i := 0; i < whole; i += 2 {
			e := r.ears[i/2%len(r.ears)]
			e.heard = append(e.heard, int16(binary.LittleEndian.Uint16(raw[i:])))
		}
		if whole > 0 {
			r.marks = append(r.marks, mark{len(r.ears[0].heard), at})
		}
		r.mu.Unlock()
		kept = copy(raw, raw[whole:n])
	}
}

func (e *ear) len() int {
	e.room.mu.Lock()
	defer e.room.mu.Unlock()
	return len(e.heard)
}

// at gives the instant at which a sample was played: the earliest that any
// later arrival allows. It errs to the late side by what the recorder holds
// back at least.
func (e *ear) at(sample int) time.Time {
	e.room.mu.Lock()
	defer e.room.mu.Unlock()
	marks := e.room.marks
	first, _ := slices.BinarySearchFunc(marks, sample, func(m mark, n int) int { return m.n - n })
	best := time.Time{}
	for _, m := range marks[first:] {
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
func (e *ear) until(t testing.TB, end time.Time, first int) []float64 {
	t.Helper()
	limit := time.Until(end) + 10*time.Second
	require.Eventually(t, func() bool {
		n := e.len()
		return n > 0 && e.at(n).After(end)
	}, limit, 10*time.Millisecond, "the recording stopped")
	return e.since(first)
}

// since gives what has been recorded so far, from a sample on.
func (e *ear) since(first int) []float64 {
	e.room.mu.Lock()
	defer e.room.mu.Unlock()
	heard := make([]float64, len(e.heard)-first)
	for i, x := range e.heard[first:] {
		heard[i] = float64(x) / 32768
	}
	return heard
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
