package server

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"

	"buddyclock/protocol"
	"buddyclock/server/room"
	"buddyclock/server/store"
)

// wireVersion is the version of the messages below.
const wireVersion = 1

// agree gives the version that a server and a device go by: the smaller one. A
// device of the version before is taken, since a page stays as it was loaded
// while the server is renewed; an older one is not. A newer device judges for
// itself whether it can go by ours.
func agree(ours, theirs int) (int, error) {
	if theirs < ours-1 {
		return 0, &protocol.Problem{Code: "old-version", Reason: fmt.Sprintf("this page speaks version %d and the host speaks %d: load the page anew once no hold is running", theirs, ours)}
	}
	return min(ours, theirs), nil
}

// maxFrameBytes bounds what a device may send in one frame or request.
const maxFrameBytes = 256 << 10

// Types of messages.
const (
	typeHello    = "hello"
	typeEvents   = "events"
	typeTime     = "time"
	typePresence = "presence"
	typeOffer    = "offer"
	typeDecline  = "decline"
	typeWithdraw = "withdraw"
)

// maxVersion bounds what can be a version at all.
const maxVersion = 1_000_000

// maxStateBytes bounds what a device says of itself in a heartbeat.
const maxStateBytes = 4 << 10

// message is one frame from a device. Which fields are set depends on Type.
type message struct {
	Type   string
	Hello  hello
	Events []json.RawMessage
	T1     json.RawMessage // a number, as the device spelt it
	State  json.RawMessage // what the device says of itself, without `type`
	Fields object          // of the rest
}

// hello is how a device begins.
type hello struct {
	V                   int
	Token, Pair, Device string
	Board               bool // all pairs, and none by name
	Counts              store.Counts
}

// object is a JSON object whose keys are matched exactly, as JavaScript does;
// encoding/json would take `Type` for `type`.
type object map[string]json.RawMessage

// decodeMessage reads one frame. An error says what is wrong with it, in one
// sentence for people; the message of an unknown type is no error.
//
// Events are parts of the frame: who keeps the frame for another one reads them
// before.
func decodeMessage(frame []byte) (message, error) {
	if m, ok := decodePlain(frame); ok {
		return m, nil
	}
	fields, err := decodeObject(frame)
	if err != nil {
		return message{}, err
	}
	var m message
	if m.Type, err = fields.text("type", protocol.MaxKindBytes); err != nil {
		return message{}, err
	}
	switch m.Type {
	case typeHello:
		m.Hello, err = fields.hello()
	case typeEvents:
		m.Events, err = fields.events()
	case typeTime:
		m.T1, err = fields.number("t1")
	case typePresence:
		m.State, err = fields.state()
	}
	m.Fields = fields
	if err != nil {
		return message{}, err
	}
	return m, nil
}

// decodePlain reads what comes most often, events and time exchanges, where
// nothing is wrong with it.
func decodePlain(frame []byte) (m message, ok bool) {
	var p protocol.Plain
	if !p.ReadWithList(frame, "events", room.MaxBatch) {
		return m, false
	}
	switch string(p.Get("type")) {
	case `"` + typeEvents + `"`:
		m.Type = typeEvents
		if pair := p.Get("pair"); pair != nil { // as boards say
			m.Fields = object{"pair": pair}
		}
		m.Events, ok = p.List(), bytes.HasPrefix(p.Get("events"), []byte{'['})
	case `"` + typeTime + `"`:
		m.Type, m.T1, ok = typeTime, bytes.Clone(p.Get("t1")), isNumber(p.Get("t1"))
	}
	return m, ok
}

func decodeObject(text []byte) (object, error) {
	if !utf8.Valid(text) {
		return nil, bad("the message is not valid UTF-8")
	}
	var fields object
	if err := json.Unmarshal(text, &fields); err != nil || fields == nil {
		return nil, bad("the message is not one JSON object")
	}
	return fields, nil
}

func bad(format string, args ...any) error {
	return &protocol.Problem{Code: "bad-message", Reason: fmt.Sprintf(format, args...)}
}

// text gives a string field of at most maxBytes; a missing one is an error.
func (o object) text(key string, maxBytes int) (string, error) {
	raw := o[key]
	var s string
	if len(raw) == 0 || raw[0] != '"' || json.Unmarshal(raw, &s) != nil {
		return "", bad("`%s` is missing or not a string", key)
	}
	if len(s) > maxBytes {
		return "", bad("`%s` has more than %d bytes", key, maxBytes)
	}
	return s, nil
}

func (o object) number(key string) (json.RawMessage, error) {
	if !isNumber(o[key]) {
		return nil, bad("`%s` is missing or not a number", key)
	}
	return o[key], nil
}

// isNumber tells whether a JSON value is a number, of a length that is one.
func isNumber(raw []byte) bool {
	return len(raw) > 0 && len(raw) <= 32 && (raw[0] == '-' || '0' <= raw[0] && raw[0] <= '9')
}

func (o object) hello() (h hello, err error) {
	version, err := o.number("v")
	if err != nil {
		return h, err
	}
	v, err := strconv.ParseFloat(string(version), 64)
	if err != nil || v < 1 || v != math.Trunc(v) || v > maxVersion {
		return h, bad("`v` is not a version of this protocol")
	}
	h.V = int(v)
	if h.Token, err = o.text("token", 128); err != nil {
		return h, err
	}
	if h.Board = string(o["board"]) == "true"; !h.Board {
		if h.Pair, err = o.text("pair", protocol.MaxIDBytes); err != nil {
			return h, err
		}
	}
	if h.Device, err = o.text("device", protocol.MaxIDBytes); err != nil {
		return h, err
	}
	h.Counts, err = o.counts()
	return h, err
}

// counts reads which events a device has. What cannot be is held to be unknown,
// so that rather too much is sent than too little.
func (o object) counts() (store.Counts, error) {
	c := store.Counts{Have: map[string]int64{}, Beyond: map[string][]store.Run{}}
	counters, err := o.ofDevices("have")
	if err != nil {
		return c, err
	}
	for device, raw := range counters {
		if n, ok := counter(raw); ok {
			c.Have[device] = n
		}
	}
	runs, err := o.ofDevices("beyond")
	if err != nil {
		return c, err
	}
	for device, raw := range runs {
		var list [][]json.RawMessage
		if json.Unmarshal(raw, &list) != nil || len(list) > store.MaxRuns {
			continue
		}
		for _, pair := range list {
			if len(pair) != 2 {
				continue
			}
			first, ok := counter(pair[0])
			last, also := counter(pair[1])
			if ok && also {
				c.Beyond[device] = append(c.Beyond[device], store.Run{first, last})
			}
		}
	}
	return c, nil
}

// ofDevices reads an object whose keys are devices; a missing one is empty. It may
// name as many as the frame has room for: a pair has had as many devices as ever
// came to it, and each is told of all.
func (o object) ofDevices(key string) (map[string]json.RawMessage, error) {
	raw, present := o[key]
	if !present {
		return nil, nil
	}
	var values map[string]json.RawMessage
	if json.Unmarshal(raw, &values) != nil {
		return nil, bad("`%s` is not an object", key)
	}
	return values, nil
}

func counter(raw json.RawMessage) (int64, bool) {
	n, err := strconv.ParseFloat(string(raw), 64)
	return int64(n), err == nil && n >= 0 && n <= protocol.MaxWhole && n == math.Trunc(n)
}

func (o object) events() ([]json.RawMessage, error) {
	var events []json.RawMessage
	if raw := o["events"]; len(raw) == 0 || raw[0] != '[' || json.Unmarshal(raw, &events) != nil {
		return nil, bad("`events` is missing or not a list")
	}
	if len(events) > room.MaxBatch {
		return nil, bad("there are %d events in one message, more than %d", len(events), room.MaxBatch)
	}
	return events, nil
}

// state gives a heartbeat's fields without its type, spelt anew in the order of
// their keys, so that equal states are equal texts.
func (o object) state() (json.RawMessage, error) {
	delete(o, "type")
	text, err := json.Marshal(map[string]json.RawMessage(o))
	if err != nil {
		return nil, bad("the heartbeat cannot be read")
	}
	if len(text) > maxStateBytes {
		return nil, bad("the heartbeat has %d bytes, more than %d", len(text), maxStateBytes)
	}
	return text, nil
}

// The messages of the server.

type welcomeJSON struct {
	Type    string           `json:"type"`
	V       int              `json:"v"`
	Outing  outingJSON       `json:"outing"`
	Pair    string           `json:"pair"`
	Number  int              `json:"number"`
	Device  string           `json:"device"`
	Role    string           `json:"role"`
	Name    string           `json:"name"`
	Session string           `json:"session"`
	Have    map[string]int64 `json:"have"`

	Beyond   map[string][]store.Run `json:"beyond"`
	Present  json.RawMessage        `json:"present"`
	ClockID  string                 `json:"clock_id"`
	ServerMs int64                  `json:"server_ms"`
	// Simulated is true where the people are, and left out elsewhere.
	Simulated bool                   `json:"simulated,omitempty"`
	Erased    map[string][]store.Run `json:"erased,omitempty"`
	More      bool                   `json:"more,omitempty"`
	Events    json.RawMessage        `json:"events"`
}

// boardWelcomeJSON is the welcome of a board; the pairs follow in `pair` messages.
type boardWelcomeJSON struct {
	Type     string     `json:"type"`
	V        int        `json:"v"`
	Board    bool       `json:"board"`
	Outing   outingJSON `json:"outing"`
	Device   string     `json:"device"`
	Role     string     `json:"role"`
	Name     string     `json:"name"`
	Session  string     `json:"session"`
	ClockID  string     `json:"clock_id"`
	ServerMs int64      `json:"server_ms"`

	Simulated bool `json:"simulated,omitempty"`
}

// erasedJSON tells which events of the pair were erased, of each device as runs
// of counters.
type erasedJSON struct {
	Type   string                 `json:"type"`
	Pair   string                 `json:"pair"`
	Erased map[string][]store.Run `json:"erased"`
}

type refusedJSON struct {
	Type string   `json:"type,omitempty"`
	Pair string   `json:"pair,omitempty"`
	IDs  []string `json:"ids"`
	problemJSON
}

// problemJSON is how every error reaches a device: a stable code and a sentence.
type problemJSON struct {
	Code   string `json:"code"`
	Reason string `json:"reason"`
}

type errorJSON struct {
	Type string `json:"type"`
	Pair string `json:"pair,omitempty"`
	problemJSON
	IDs []string `json:"ids,omitempty"`
}

type byeJSON struct {
	Type   string `json:"type"`
	Reason string `json:"reason"`
}

// appendTime spells the answer to a time exchange. Times are shared µs, written
// as ms with three decimals.
func appendTime(b []byte, t1 json.RawMessage, t2Us, t3Us int64, clockID string) []byte {
	b = append(b, `{"type":"time","t1":`...)
	b = append(b, t1...)
	b = append(b, `,"t2":`...)
	b = appendMs(b, t2Us)
	b = append(b, `,"t3":`...)
	b = appendMs(b, t3Us)
	b = append(b, `,"clock_id":"`...)
	b = append(b, clockID...)
	return append(b, `"}`...)
}

func appendMs(b []byte, us int64) []byte {
	b = strconv.AppendInt(b, us/1000, 10)
	return append(b, '.', byte('0'+us/100%10), byte('0'+us/10%10), byte('0'+us%10))
}

// storedFrame tells a device, or a board of a pair that it names, that events
// are on disk. Their ids were checked, and need no escapes.
func storedFrame(pair string, ids []string) []byte {
	b := make([]byte, 0, 48+len(pair)+len(ids)*24)
	b = append(b, `{"type":"stored",`...)
	if pair != "" {
		b = append(b, `"pair":`...)
		b = append(strconv.AppendQuote(b, pair), ',')
	}
	b = append(b, `"ids":[`...)
	for i, id := range ids {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, '"'), id...), '"')
	}
	return append(b, "]}"...)
}

func encode(v any) []byte {
	text, err := json.Marshal(v)
	if err != nil {
		panic("server: a message of our own cannot be spelt: " + err.Error())
	}
	return text
}
