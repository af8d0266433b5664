package server

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"runtime/pprof"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// The load benchmarks run the server, and a bare TCP relay as its floor, in
// processes of their own: this test binary, when the variable is set.
const beChild = "BUDDYCLOCK_LOAD_CHILD"

func TestMain(m *testing.M) {
	switch os.Getenv(beChild) {
	case "server":
		serveLoad()
	case "relay":
		relayLoad()
	case "relay-sender":
		sendThroughRelay()
	case "clock-askers":
		askForTime(phoneAsker)
	case "relay-askers":
		askForTime(relayAsker)
	default:
		os.Exit(m.Run())
	}
}

// Phones of the load are numbered: the even ones are buddies, each with the next
// odd one as diver. All is made up from the number.
func loadDevice(n int) string { return fmt.Sprintf("ph%08d", n) }
func loadToken(n int) string  { return fmt.Sprintf("token of the load's phone %d", n) }
func loadPair(n int) string   { return fmt.Sprintf("pair%06d", n/2) }
func loadRole(n int) string   { return []string{protocol.RoleBuddy, protocol.RoleDiver}[n%2] }

// serveLoad is the server's process: folder and number of phones come as arguments.
func serveLoad() {
	dir := os.Args[1]
	phones, _ := strconv.Atoi(os.Args[2])
	t := &testing.T{}
	CollectSeldom(context.Background(), clock.New()) // as the program does
	limits := Limits{DialsAtOnce: 100_000, Unwelcomed: 100_000, Sockets: 100_000, AllSockets: 100_000}
	h := startHostWith(t, dir, clock.New(), NewSharedClock(clock.New()), limits)
	seed(h, phones)
	say("ready %s", h.url)
	in := bufio.NewScanner(os.Stdin)
	for in.Scan() {
		switch in.Text() {
		case "usage":
			runtime.GC()
			var mem runtime.MemStats
			runtime.ReadMemStats(&mem)
			say("usage %d %d %d", cpuNs(), mem.HeapInuse+mem.StackInuse, runtime.NumGoroutine())
		case "settle":
			h.store.Settle(context.Background())
			if seen := seeHeap(); seen.isDue(seen) { // as it would be a second later
				runtime.GC()
			}
			say("usage %d 0 0", cpuNs())
		case "cpu":
			say("usage %d 0 0", cpuNs())
		case "profile":
			defer profileTo(os.Getenv(profileFile))()
		}
	}
}

// profileFile names the variable that tells where to write a CPU profile of the
// server under full load.
const profileFile = "BUDDYCLOCK_LOAD_PROFILE"

func profileTo(path string) (stop func()) {
	if path == "" {
		return func() {}
	}
	f, err := os.Create(path)
	if err != nil {
		panic(err)
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		panic(err)
	}
	return func() { pprof.StopCPUProfile(); f.Close() }
}

// seed makes pairs and phones, unless they are there.
func seed(h *host, phones int) {
	var wg sync.WaitGroup
	work := make(chan int, phones)
	for n := range phones {
		work <- n
	}
	close(work)
	for range 256 {
		wg.Go(func() {
			for n := range work {
				if n%2 == 0 {
					h.store.AddPair(loadPair(n), h.srv.session.ID)
				}
			}
		})
	}
	wg.Wait()
	again := make(chan int, phones)
	for n := range phones {
		again <- n
	}
	close(again)
	for range 256 {
		wg.Go(func() {
			for n := range again {
				h.store.Admit(store.Device{ID: loadDevice(n), Session: h.srv.session.ID, Pair: loadPair(n), Role: loadRole(n)}, hashOf(loadToken(n)))
			}
		})
	}
	wg.Wait()
}

func say(format string, args ...any) {
	fmt.Printf(format+"\n", args...)
}

func cpuNs() int64 {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return u.Utime.Nano() + u.Stime.Nano()
}

// child is a process of the load.
type child struct {
	b   *testing.B
	cmd *exec.Cmd
	in  *os.File
	out *bufio.Scanner
	at  string // what it said it listens at
}

func startChild(b *testing.B, what string, args ...string) *child {
	b.Helper()
	c := &child{b: b, cmd: exec.Command(os.Args[0], args...)}
	c.cmd.Env = append(os.Environ(), beChild+"="+what)
	c.cmd.Stderr = os.Stderr
	stdin, in, err := os.Pipe()
	require.NoError(b, err)
	c.cmd.Stdin, c.in = stdin, in
	out, err := c.cmd.StdoutPipe()
	require.NoError(b, err)
	c.out = bufio.NewScanner(out)
	require.NoError(b, c.cmd.Start())
	stdin.Close()
	b.Cleanup(c.stop)
	c.at = c.answer("ready")[0]
	return c
}

func (c *child) answer(to string) []string {
	c.b.Helper()
	require.True(c.b, c.out.Scan(), "the %s process ended", to)
	words := strings.Fields(c.out.Text())
	require.Equal(c.b, to, words[0])
	return words[1:]
}

// usage gives CPU time so far, bytes of heap and stacks in use, and goroutines.
func (c *child) usage(command string) (cpu time.Duration, bytes, goroutines int64) {
	c.b.Helper()
	fmt.Fprintln(c.in, command)
	var n [3]int64
	for i, word := range c.answer("usage") {
		n[i], _ = strconv.ParseInt(word, 10, 64)
	}
	return time.Duration(n[0]), n[1], n[2]
}

func (c *child) stop() {
	if c.in == nil {
		return
	}
	c.in.Close()
	c.in = nil
	c.cmd.Wait()
}

func (c *child) kill() {
	c.cmd.Process.Kill()
	c.stop()
}

// phone is one device of the load, over the real socket.
type phone struct {
	n       int
	ws      *websocket.Conn
	welcome []byte
	frame   bytes.Buffer // that was read last
	mu      sync.Mutex   // of writing
	next    []byte       // event to send
	count   int
}

var loadDialer = websocket.Dialer{HandshakeTimeout: time.Minute, ReadBufferSize: 1024, WriteBufferSize: 1024, WriteBufferPool: &sync.Pool{}}

// dialPhone connects a phone and says hello; it returns once welcomed.
func dialPhone(url string, n int) (*phone, error) {
	ws, _, err := loadDialer.Dial("ws"+strings.TrimPrefix(url, "http")+"/socket", map[string][]string{"Origin": {url}})
	if err != nil {
		return nil, err
	}
	p := &phone{n: n, ws: ws}
	hello := fmt.Sprintf(`{"type":"hello","v":1,"token":%q,"pair":%q,"device":%q,"have":{}}`, loadToken(n), loadPair(n), loadDevice(n))
	if err := ws.WriteMessage(websocket.TextMessage, []byte(hello)); err != nil {
		return nil, err
	}
	frame, err := p.read()
	p.welcome = bytes.Clone(frame)
	if err == nil && !strings.HasPrefix(string(p.welcome), `{"type":"welcome"`) {
		err = fmt.Errorf("no welcome but %s", p.welcome)
	}
	return p, err
}

// read gives a frame, which is good until the next is read: what makes the load shall
// take little of the processors that it shares with the server.
func (p *phone) read() ([]byte, error) {
	_, r, err := p.ws.NextReader()
	if err != nil {
		return nil, err
	}
	p.frame.Reset()
	_, err = p.frame.ReadFrom(r)
	return p.frame.Bytes(), err
}

// foldOf folds the events of a frame, and gives what the hold of that id is then
// at an instant, as JSON.
func foldOf(b *testing.B, id string, atMs int64, frames ...[]byte) string {
	b.Helper()
	hold := protocol.NewHold(id)
	for _, frame := range frames {
		var m struct{ Events []json.RawMessage }
		require.NoError(b, json.Unmarshal(frame, &m))
		for _, raw := range m.Events {
			e, err := protocol.Decode(raw)
			require.NoError(b, err)
			hold.Add(e)
		}
	}
	text, err := json.Marshal(hold.StatusAt(atMs))
	require.NoError(b, err)
	return string(text)
}

// dialPhones connects the phones from one number up to another. Those that stay
// need nothing more to be held alive.
func dialPhones(b *testing.B, url string, from, to int, stay bool) []*phone {
	b.Helper()
	all := make([]*phone, to-from)
	var failed atomic.Pointer[error]
	var wg sync.WaitGroup
	next := atomic.Int64{}
	for range 32 {
		wg.Go(func() {
			for n := next.Add(1) - 1; n < int64(len(all)); n = next.Add(1) - 1 {
				p, err := dialPhone(url, from+int(n))
				if err != nil {
					failed.Store(&err)
					return
				}
				all[n] = p
				if stay {
					go p.stayAlive()
				}
			}
		})
	}
	wg.Wait()
	if err := failed.Load(); err != nil {
		b.Fatal(*err)
	}
	b.Cleanup(func() {
		for _, p := range all {
			p.ws.Close()
		}
	})
	return all
}

// event makes a phone's next event, as a page would send it, which is good until the
// one after it is made; `x` carries the instant it was sent.
func (p *phone) event(kind string) []byte {
	p.count++
	now := time.Now()
	p.next = fmt.Appendf(p.next[:0], `{"type":"events","events":[{"id":"%s-%06d","hold":"%s-h01","kind":%q,"at":%d,"err":4,"by":%q,"data":{"took_ms":840},"mac":"GDA5QuTVEPUBusqDLjMp9g","x":%d}]}`,
		loadDevice(p.n), p.count, loadDevice(p.n), kind, now.UnixMilli(), loadRole(p.n), now.UnixNano())
	return p.next
}

// timeExchange asks for the time.
var timeExchange = []byte(`{"type":"time","t1":1}`)

// stayAlive keeps the server from taking the phone for gone. Phones take turns, so
// that they are not all heard at once.
func (p *phone) stayAlive() {
	const every = 10 * time.Second
	next := time.Now().Add(time.Duration(p.n%1000) * every / 1000)
	for p.write(timeExchange) == nil {
		time.Sleep(time.Until(next))
		next = next.Add(every)
	}
}

func (p *phone) write(frame []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ws.WriteMessage(websocket.TextMessage, frame)
}

var instantKey = []byte(`"x":`)

// sentAt finds the instant in a frame with one event, 0 if it has none.
func sentAt(frame []byte) int64 {
	i := bytes.LastIndex(frame, instantKey)
	if i < 0 || !bytes.HasPrefix(frame, []byte(`{"type":"events"`)) {
		return 0
	}
	n := int64(0)
	for _, c := range frame[i+len(instantKey):] {
		if c < '0' || c > '9' {
			break
		}
		n = n*10 + int64(c-'0')
	}
	return n
}

// askForTime is the process of those whose exchanges of clocks are timed: of their own,
// so that an answer does not wait for what the others' process has to do. For each line
// that it reads they connect, and ask as often as a server lets them until the next
// line. Arguments: whom they ask, the first one's number, and how many.
func askForTime(connect func(url string, n int) (ask func() error, end func(), err error)) {
	from, _ := strconv.Atoi(os.Args[2])
	askers, _ := strconv.Atoi(os.Args[3])
	say("ready %s", os.Args[1])
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		stop := make(chan struct{})
		answers := make(chan []time.Duration, askers)
		for n := range askers {
			ask, end, err := connect(os.Args[1], from+n)
			if err != nil {
				panic(err)
			}
			go func() {
				defer end()
				answers <- timed(ask, stop, time.Second/chatPace)
			}()
		}
		in.Scan()
		close(stop)
		var took []time.Duration
		for range askers {
			took = append(took, <-answers...)
		}
		say("took %d %d", at(.5, took), at(.99, took))
	}
}

// timed asks, with a pause before each time, until stop is closed, and gives how long
// each answer took.
func timed(ask func() error, stop <-chan struct{}, pause time.Duration) (took []time.Duration) {
	for {
		select {
		case <-stop:
			return took
		case <-time.After(pause):
		}
		begun := time.Now()
		if ask() != nil {
			return took
		}
		took = append(took, time.Since(begun))
	}
}

// phoneAsker gives what exchanges clocks with the server.
func phoneAsker(url string, n int) (ask func() error, end func(), err error) {
	p, err := dialPhone(url, n)
	if err != nil {
		return nil, nil, err
	}
	return func() error {
		err := p.write(timeExchange)
		for frame := []byte(nil); err == nil && !bytes.HasPrefix(frame, []byte(`{"type":"time"`)); {
			frame, err = p.read()
		}
		return err
	}, func() { p.ws.Close() }, nil
}

// stored counts the ids in a `stored` frame.
func stored(frame []byte) int {
	if !bytes.HasPrefix(frame, []byte(`{"type":"stored"`)) {
		return 0
	}
	_, ids, _ := bytes.Cut(frame, []byte(`"ids":[`))
	return bytes.Count(ids, []byte(`"`)) / 2
}
