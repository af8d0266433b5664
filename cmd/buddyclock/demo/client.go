package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/coder/websocket"

	"buddyclock/protocol"
	"buddyclock/server/access"
)

const (
	wireVersion = 1
	// maxFrameBytes bounds a frame of the server, maxBatch the events in one of ours (PROTOCOL.md, section 6).
	maxFrameBytes = 256 << 10
	maxBatch      = 200
	// burst is how many time exchanges follow a welcome at once.
	burst = 8
	// beatEvery is the pace of exchanges and heartbeats: that of a page in a hold.
	beatEvery = time.Second
	// writeWithin bounds one write and one dial, redialAfter the pause between two dials.
	writeWithin = 10 * time.Second
	redialAfter = 500 * time.Millisecond
	// againAfter is when what the server could not write is offered again (PROTOCOL.md, section 6).
	againAfter = 10 * time.Second
)

// Client is a phone on the network: it joins, keeps shared time by exchanges,
// keeps what it records until the server has it on disk, and after a break says
// what it has and is sent the rest. Its methods may be called from anywhere.
type Client struct {
	clk   clock.Clock
	base  string // where the server's pages come from, such as http://127.0.0.1:8080
	began time.Time
	wake  chan struct{} // something to send, or the link is to come or go

	id, token, pair, role, name string // pair is "" for a board

	// onState, where set before Run, hears what a board is told of each pair.
	onState func(PairState)

	mu       sync.Mutex
	estimate *protocol.ClockEstimate
	shown    int64
	count    int
	outbox   []owed
	have     map[string]*tally
	holds    map[string]*protocol.Hold
	hold     string // the one recorded in last
	off      bool
	link     *link // while there is one
	synced   chan struct{}
	isSynced bool
	refused  []string // codes of refusals: none is expected
}

// owed is an event that the server has not acknowledged.
type owed struct {
	pair string
	protocol.Event
}

// PairState is what the server found of a pair's newest hold by its own fold.
type PairState struct {
	Pair     string `json:"pair"`
	Hold     string `json:"hold"`
	Standing *struct {
		Rung string `json:"rung"`
		At   int64  `json:"at"` // shared ms
	} `json:"standing"`
}

// tally is which events of one device are there.
type tally struct {
	upTo  int64 // all up to here
	above map[int64]bool
}

func (t *tally) add(n int64) {
	if n > t.upTo {
		t.above[n] = true
	}
	for t.above[t.upTo+1] {
		delete(t.above, t.upTo+1)
		t.upTo++
	}
}

// Join lets a new phone into a pair, "new" for a new one and "" for a board.
func Join(ctx context.Context, clk clock.Clock, base, secret, pair, role, name string) (*Client, error) {
	c := &Client{
		clk: clk, base: base, began: clk.Now(), wake: make(chan struct{}, 1),
		id: access.NewID(), role: role, name: name,
		estimate: protocol.NewClockEstimate(0.001, protocol.WorstDriftPpm),
		have:     map[string]*tally{}, holds: map[string]*protocol.Hold{}, synced: make(chan struct{}),
	}
	var joined struct{ Token, Pair string }
	err := c.post(ctx, "/api/join", map[string]any{"secret": secret, "pair": pair, "role": role, "device": c.id, "name": name}, &joined)
	if err != nil {
		return nil, fmt.Errorf("the phone %q cannot join: %w", name, err)
	}
	c.token, c.pair = joined.Token, joined.Pair
	return c, nil
}

// post asks the server by a plain request; answer may be nil.
func (c *Client) post(ctx context.Context, path string, body, answer any) error {
	text, err := json.Marshal(body)
	if err != nil {
		return err
	}
	ctx, cancel := c.clk.WithTimeout(ctx, writeWithin)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.base+path, bytes.NewReader(text))
	if err != nil {
		return err
	}
	req.Header.Set("Origin", c.base)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		var problem struct{ Code, Reason string }
		if err := json.NewDecoder(resp.Body).Decode(&problem); err != nil {
			return fmt.Errorf("%s answers %s", path, resp.Status)
		}
		return fmt.Errorf("%s answers %s: %s", path, problem.Code, problem.Reason)
	}
	if answer == nil {
		return nil
	}
	return json.NewDecoder(resp.Body).Decode(answer)
}

// ID is the device's id.
func (c *Client) ID() string { return c.id }

// Pair is the id of the phone's pair.
func (c *Client) Pair() string { return c.pair }

// Synced is closed once the phone knows shared time.
func (c *Client) Synced() <-chan struct{} { return c.synced }

// NowMs is shared time as far as the phone knows it. It never steps back.
func (c *Client) NowMs() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

func (c *Client) now() int64 {
	d := c.deviceMs(c.clk.Now())
	c.shown = max(c.shown, int64(math.Floor(d+c.estimate.At(d).OffsetMs)))
	return c.shown
}

func (c *Client) deviceMs(t time.Time) float64 { return float64(t.Sub(c.began)) / 1e6 }

// doubtMs is how far off shared time may be here, rounded up.
func (c *Client) doubtMs() int64 {
	return int64(math.Ceil(c.estimate.At(c.deviceMs(c.clk.Now())).DoubtMs))
}

// Record keeps an event of the phone's own pair and sends it as soon as there is
// a link.
func (c *Client) Record(hold, kind string, atMs int64, data map[string]any) {
	c.recordIn(c.pair, hold, kind, atMs, data)
}

func (c *Client) recordIn(pair, hold, kind string, atMs int64, data map[string]any) {
	c.mu.Lock()
	c.count++
	e := event(c.id, c.role, c.count, hold, kind, atMs, c.doubtMs(), data)
	c.outbox = append(c.outbox, owed{pair, e})
	c.hold = hold
	c.take(e)
	c.mu.Unlock()
	c.nudge()
}

// take adds an event to what the phone has.
func (c *Client) take(e protocol.Event) {
	if n, ok := protocol.CounterOf(e.ID); ok {
		device := protocol.DeviceOf(e.ID)
		if c.have[device] == nil {
			c.have[device] = &tally{above: map[int64]bool{}}
		}
		c.have[device].add(n)
	}
	c.holdOf(e.Hold).Add(e)
}

func (c *Client) holdOf(id string) *protocol.Hold {
	h := c.holds[id]
	if h == nil {
		h = protocol.NewHold(id)
		c.holds[id] = h
	}
	return h
}

// Status is a hold at a shared time, by what the phone has.
func (c *Client) Status(hold string, atMs int64) protocol.Status {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.holdOf(hold).StatusAt(atMs)
}

// Summary is what the debrief says of a hold.
func (c *Client) Summary(hold string, atMs int64) protocol.Summary {
	c.mu.Lock()
	defer c.mu.Unlock()
	return protocol.Summarize(c.holdOf(hold), atMs)
}

// Owes is how many events the server has not acknowledged.
func (c *Client) Owes() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.outbox)
}

// Cut takes the phone off the network, or lets it back on.
func (c *Client) Cut(off bool) {
	c.mu.Lock()
	c.off = off
	l := c.link
	c.mu.Unlock()
	if off && l != nil {
		l.ws.CloseNow()
	}
	c.nudge()
}

func (c *Client) isOff() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.off
}

func (c *Client) nudge() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// errShutOut is the end of a phone that the server does not know any more.
var errShutOut = errors.New("the server has shut this phone out")

// Run keeps the link until ctx ends.
func (c *Client) Run(ctx context.Context) error {
	for ctx.Err() == nil {
		if !c.isOff() {
			if err := c.connect(ctx); errors.Is(err, errShutOut) {
				return fmt.Errorf("phone %q: %w", c.name, err)
			}
		}
		select {
		case <-ctx.Done():
		case <-c.clk.After(redialAfter):
		}
	}
	return nil
}

// connect dials once and serves the link until it ends.
func (c *Client) connect(ctx context.Context) error {
	dialing, cancel := c.clk.WithTimeout(ctx, writeWithin)
	defer cancel()
	ws, _, err := websocket.Dial(dialing, "ws"+strings.TrimPrefix(c.base, "http")+"/socket", &websocket.DialOptions{
		HTTPHeader: http.Header{"Origin": {c.base}},
	})
	if err != nil {
		return err
	}
	defer ws.CloseNow()
	ws.SetReadLimit(maxFrameBytes)
	l := &link{Client: c, ws: ws, read: make(chan error, 1), sent: map[string]bool{}, notNow: map[string]time.Time{}, asked: map[float64]bool{}}
	c.mu.Lock()
	c.link = l
	have := map[string]int64{}
	for device, t := range c.have {
		have[device] = t.upTo
	}
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		c.link = nil
		c.mu.Unlock()
	}()
	hello := map[string]any{"type": "hello", "v": wireVersion, "token": c.token, "device": c.id}
	if c.pair == "" {
		hello["board"] = true
	} else {
		hello["pair"], hello["have"] = c.pair, have
	}
	if err := l.send(ctx, hello); err != nil {
		return err
	}
	return l.serve(ctx)
}
