package demo

import (
	"encoding/json"
	"fmt"

	"buddyclock/protocol"
)

// phone is a device in somebody's hand: it records what they press, and knows
// where a hold stands by what it has seen of it.
type phone interface {
	ID() string
	// Record keeps an event that happened at a shared time in ms.
	Record(hold, kind string, atMs int64, data map[string]any)
	// Status is the hold at a shared time, by the events that this phone has.
	Status(hold string, atMs int64) protocol.Status
	// Summary is what the debrief says of the hold.
	Summary(hold string, atMs int64) protocol.Summary
}

// eventJSON is an event of simulated people. Its last field is unknown to the
// rules and so kept and passed on by everybody.
type eventJSON struct {
	ID        string         `json:"id"`
	Hold      string         `json:"hold"`
	Kind      string         `json:"kind"`
	At        int64          `json:"at"`
	Err       int64          `json:"err"`
	By        string         `json:"by"`
	Data      map[string]any `json:"data,omitempty"`
	Simulated bool           `json:"simulated"`
}

// event makes the n-th event of a device.
func event(device, by string, n int, hold, kind string, atMs, errMs int64, data map[string]any) protocol.Event {
	text, err := json.Marshal(eventJSON{fmt.Sprintf("%s-%06d", device, n), hold, kind, atMs, errMs, by, data, true})
	if err != nil {
		panic("demo: an event cannot be spelt: " + err.Error())
	}
	e, err := protocol.Decode(text)
	if err != nil {
		panic("demo: an event of our own is refused: " + err.Error())
	}
	return e
}

// paperErrMs is the doubt of clocks that nobody has compared for the purpose.
const paperErrMs = 5

// paper is the shared record of phones without a network, for holds that are
// over before anybody looks. It is not safe for use by several goroutines.
type paper struct {
	events []protocol.Event
	holds  map[string]*protocol.Hold
}

func newPaper() *paper { return &paper{holds: map[string]*protocol.Hold{}} }

// phone gives one of the phones that write on this paper.
func (p *paper) phone(id, role string) phone { return &paperPhone{paper: p, id: id, role: role} }

func (p *paper) hold(id string) *protocol.Hold {
	h := p.holds[id]
	if h == nil {
		h = protocol.NewHold(id)
		p.holds[id] = h
	}
	return h
}

type paperPhone struct {
	*paper
	id, role string
	count    int
}

func (p *paperPhone) ID() string { return p.id }

func (p *paperPhone) Record(hold, kind string, atMs int64, data map[string]any) {
	p.count++
	e := event(p.id, p.role, p.count, hold, kind, atMs, paperErrMs, data)
	p.events = append(p.events, e)
	p.hold(hold).Add(e)
}

func (p *paperPhone) Status(hold string, atMs int64) protocol.Status {
	return p.hold(hold).StatusAt(atMs)
}

func (p *paperPhone) Summary(hold string, atMs int64) protocol.Summary {
	return protocol.Summarize(p.hold(hold), atMs)
}
