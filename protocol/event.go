package protocol

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Kinds of events. Kinds that are not listed are kept and passed on; they
// change no state.
const (
	KindPlan        = "plan"
	KindBreatheUp   = "breathe-up"
	KindStart       = "start"
	KindLook        = "look"
	KindAsked       = "asked"
	KindAnswered    = "answered"
	KindNoAnswer    = "no-answer"
	KindContraction = "contraction"
	KindSign        = "sign"
	KindReading     = "reading"
	KindEndHold     = "end-hold"
	KindSurfaced    = "surfaced"
	KindAwake       = "awake"
	KindOK          = "ok"
	KindIncident    = "incident"
	KindWithThem    = "with-them"
	KindStep        = "step"
	KindRecovered   = "recovered"
	KindWatchEnded  = "watch-ended"
	KindVerdict     = "verdict"
	KindNote        = "note"
	KindAmend       = "amend"
	KindSounded     = "sounded"
	KindPlace       = "place"
	KindSoundCheck  = "sound-check"
	KindProfile     = "profile"
	KindSeries      = "series"
	KindGoing       = "going"
)

// Kinds lists every kind that this version knows.
var Kinds = []string{
	KindPlan, KindBreatheUp, KindStart, KindLook, KindAsked, KindAnswered, KindNoAnswer,
	KindContraction, KindSign, KindReading, KindEndHold, KindSurfaced, KindAwake, KindOK,
	KindIncident, KindWithThem, KindStep, KindRecovered, KindWatchEnded, KindVerdict,
	KindNote, KindAmend, KindSounded, KindPlace, KindSoundCheck, KindProfile, KindSeries,
	KindGoing,
}

// Roles a device can have. They are also the values of an event's `by`.
const (
	RoleDiver      = "diver"
	RoleBuddy      = "buddy"
	RoleInstructor = "instructor"
	RoleSiren      = "siren"
)

// Limits of an event's envelope.
const (
	MaxIDBytes    = 64
	MaxKindBytes  = 32
	MaxByBytes    = 32
	MaxEventBytes = 16_384
	// MaxLevels bounds how deep objects and arrays may lie in one another, the
	// event being the first: readers that recurse must not be brought down by it.
	MaxLevels = 64
	// MaxWhole is the largest whole number that JavaScript and Go both hold exactly, 2^53-1.
	MaxWhole = 1<<53 - 1
)

// Event is one thing that happened in a hold. Unknown fields survive in Raw.
type Event struct {
	ID   string // device id, '-', that device's counter
	Hold string
	Kind string
	At   int64 // shared time, Unix ms
	Err  int64 // half-width of the clock's doubt at that moment, ms
	By   string
	Data json.RawMessage // a JSON object, or nil
	Raw  json.RawMessage // the whole event as it was received, without spaces
}

// Problem says why an event or message was refused.
type Problem struct {
	Code   string // one of a few stable words for programs
	Reason string // one sentence for people
}

func (p *Problem) Error() string { return p.Reason }

func refuse(code, format string, args ...any) *Problem {
	return &Problem{Code: code, Reason: fmt.Sprintf(format, args...)}
}

// Decode reads one event from its JSON text. The envelope is strict: a missing
// or wrong field is refused with a *Problem. The content of `data` is kept as
// it is, and judged by the fold. When a key stands twice the last one counts,
// as in JavaScript.
func Decode(text []byte) (Event, error) {
	if e, ok := decodePlain(text); ok {
		return e, nil
	}
	return decodeAny(text)
}

// decodePlain reads an event that is spelt plainly and has nothing wrong. It
// copies what it keeps.
func decodePlain(text []byte) (e Event, ok bool) {
	if len(text) > MaxEventBytes {
		return Event{}, false
	}
	e.Raw = bytes.Clone(text)
	var p Plain
	if !p.Read(e.Raw) || p.spaced || p.levels > MaxLevels {
		return Event{}, false
	}
	for _, f := range [...]struct {
		into     *string
		key      string
		maxBytes int
		required bool
	}{
		{&e.ID, "id", MaxIDBytes, true}, {&e.Hold, "hold", MaxIDBytes, true}, {&e.Kind, "kind", MaxKindBytes, true}, {&e.By, "by", MaxByBytes, false},
	} {
		raw := p.Get(f.key)
		if raw == nil && !f.required {
			continue
		}
		if len(raw) < 2 || raw[0] != '"' || len(raw)-2 > f.maxBytes || f.required && len(raw) == 2 || bytes.IndexByte(raw, '\\') >= 0 {
			return Event{}, false
		}
		*f.into = string(raw[1 : len(raw)-1])
	}
	if e.At, ok = wholeNumber(p.Get("at")); !ok {
		return Event{}, false
	}
	if raw := p.Get("err"); raw != nil {
		if e.Err, ok = wholeNumber(raw); !ok || e.Err < 0 {
			return Event{}, false
		}
	}
	if raw := p.Get("data"); raw != nil {
		if raw[0] != '{' {
			return Event{}, false
		}
		e.Data = raw
	}
	return e, true
}

// decodeAny reads an event however it is spelt, and says what is wrong with it.
func decodeAny(text []byte) (Event, error) {
	if !utf8.Valid(text) {
		return Event{}, refuse("not-utf8", "the event is not valid UTF-8")
	}
	fields, err := decodeObject(text)
	if err != nil {
		return Event{}, refuse("not-json", "the event is not one JSON object: %v", err)
	}
	if levels(text) > MaxLevels {
		return Event{}, refuse("too-deep", "more than %d objects and arrays of the event lie in one another", MaxLevels)
	}
	var whole any
	if err := json.Unmarshal(text, &whole); err != nil {
		return Event{}, refuse("bad-number", "a number of the event is out of the range of a double: %v", err)
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, text); err != nil {
		return Event{}, refuse("not-json", "the event is not one JSON object: %v", err)
	}
	if compact.Len() > MaxEventBytes {
		return Event{}, refuse("too-large", "the event has %d bytes, more than %d", compact.Len(), MaxEventBytes)
	}
	e := Event{Raw: compact.Bytes()}
	if e.ID, err = envelopeString(fields, "id", MaxIDBytes, true); err != nil {
		return Event{}, err
	}
	if e.Hold, err = envelopeString(fields, "hold", MaxIDBytes, true); err != nil {
		return Event{}, err
	}
	if e.Kind, err = envelopeString(fields, "kind", MaxKindBytes, true); err != nil {
		return Event{}, err
	}
	if e.By, err = envelopeString(fields, "by", MaxByBytes, false); err != nil {
		return Event{}, err
	}
	at, ok := wholeNumber(fields["at"])
	if !ok {
		return Event{}, refuse("bad-at", "`at` of event %q is not a whole number of milliseconds", e.ID)
	}
	e.At = at
	if raw, present := fields["err"]; present {
		if e.Err, ok = wholeNumber(raw); !ok || e.Err < 0 {
			return Event{}, refuse("bad-err", "`err` of event %q is not a whole number of milliseconds from 0 up", e.ID)
		}
	}
	if raw, present := fields["data"]; present {
		if len(raw) == 0 || raw[0] != '{' {
			return Event{}, refuse("bad-data", "`data` of event %q is not an object", e.ID)
		}
		var data bytes.Buffer
		if err := json.Compact(&data, raw); err != nil {
			return Event{}, refuse("bad-data", "`data` of event %q is not an object: %v", e.ID, err)
		}
		e.Data = data.Bytes()
	}
	return e, nil
}

// Encode gives the event's JSON text, with every field it was received with.
func (e Event) Encode() json.RawMessage {
	if e.Raw != nil {
		return e.Raw
	}
	text, err := json.Marshal(struct {
		ID   string          `json:"id"`
		Hold string          `json:"hold"`
		Kind string          `json:"kind"`
		At   int64           `json:"at"`
		Err  int64           `json:"err"`
		By   string          `json:"by,omitempty"`
		Data json.RawMessage `json:"data,omitempty"`
	}{e.ID, e.Hold, e.Kind, e.At, e.Err, e.By, e.Data})
	if err != nil {
		// Only Data can be malformed, and only if a program built it so.
		panic("protocol: event " + e.ID + " has malformed data: " + err.Error())
	}
	return text
}

// Compare orders events by (at, id); ids are compared as bytes.
func Compare(a, b Event) int {
	switch {
	case a.At < b.At:
		return -1
	case a.At > b.At:
		return 1
	}
	return strings.Compare(a.ID, b.ID)
}

// SameContent tells whether two events are equal as JSON values, whatever the
// order of their keys or the spelling of their numbers.
func SameContent(a, b Event) bool {
	ra, rb := a.Encode(), b.Encode()
	if bytes.Equal(ra, rb) {
		return true
	}
	var va, vb any
	if json.Unmarshal(ra, &va) != nil || json.Unmarshal(rb, &vb) != nil {
		return false
	}
	return reflect.DeepEqual(va, vb)
}

// DeviceOf gives the device part of an event id: all up to its last '-'. An id
// without one has no device and gives "".
func DeviceOf(id string) string {
	if i := strings.LastIndexByte(id, '-'); i > 0 {
		return id[:i]
	}
	return ""
}

// CounterOf gives the counter of an event id, or false where the id does not
// end in '-' and 1 to 12 digits.
func CounterOf(id string) (int64, bool) {
	i := strings.LastIndexByte(id, '-')
	digits := id[i+1:]
	if i <= 0 || len(digits) > 12 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 64) // which takes no sign
	return int64(n), err == nil
}

// MayRecord tells whether a device of a role may send a kind of event.
// Unknown kinds may come from anybody but a siren, so that an older server
// passes on what newer pages record.
func MayRecord(role, kind string) bool {
	switch role {
	case RoleBuddy:
		return kind != KindGoing
	case RoleDiver:
		switch kind {
		case KindGoing, KindPlan, KindEndHold, KindLook, KindAsked, KindSurfaced, KindAwake, KindOK, KindRecovered, KindWatchEnded:
			return false
		}
		return true
	case RoleInstructor:
		switch kind {
		case KindLook, KindAsked, KindAnswered, KindSurfaced, KindAwake, KindOK, KindRecovered, KindWatchEnded:
			return false
		}
		return true
	case RoleSiren:
		return kind == KindSounded || kind == KindSoundCheck
	}
	return false
}

// decodeObject reads exactly one JSON object. Keys are matched exactly, which
// encoding/json does for maps but not for structs.
func decodeObject(text []byte) (map[string]json.RawMessage, error) {
	dec := json.NewDecoder(bytes.NewReader(text))
	var fields map[string]json.RawMessage
	var other *json.UnmarshalTypeError
	switch err := dec.Decode(&fields); {
	case errors.As(err, &other):
		return nil, fmt.Errorf("it is another value (%s)", other.Value)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return nil, errors.New("it breaks off")
	case err != nil:
		return nil, err
	case fields == nil:
		return nil, errors.New("it is null")
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows the object")
	}
	return fields, nil
}

// levels tells how deep objects and arrays of a valid JSON text lie in one
// another.
func levels(text []byte) int {
	deepest, depth, inString := 0, 0, false
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case inString && c == '\\':
			i++
		case c == '"':
			inString = !inString
		case inString:
		case c == '{' || c == '[':
			depth++
			deepest = max(deepest, depth)
		case c == '}' || c == ']':
			depth--
		}
	}
	return deepest
}

func envelopeString(fields map[string]json.RawMessage, key string, maxBytes int, required bool) (string, error) {
	raw, present := fields[key]
	if !present && !required {
		return "", nil
	}
	s, ok := stringValue(raw)
	switch {
	case !ok:
		return "", refuse("bad-"+key, "`%s` is missing or not a string", key)
	case required && s == "":
		return "", refuse("bad-"+key, "`%s` is empty", key)
	case len(s) > maxBytes:
		return "", refuse("bad-"+key, "`%s` has %d bytes, more than %d", key, len(s), maxBytes)
	}
	return s, nil
}

func stringValue(raw json.RawMessage) (string, bool) {
	if len(raw) == 0 || raw[0] != '"' {
		return "", false
	}
	var s string
	err := json.Unmarshal(raw, &s)
	return s, err == nil
}

// isNumberFrom tells whether a JSON value is a number, of whatever size or
// spelling, that is not less than least.
func isNumberFrom(raw json.RawMessage, least float64) bool {
	if len(raw) == 0 || (raw[0] != '-' && (raw[0] < '0' || raw[0] > '9')) {
		return false
	}
	f, _ := strconv.ParseFloat(string(raw), 64) // one too large for a float is infinite, as in JavaScript
	return f >= least
}

// wholeWithin reads a whole number within limits; of any other value nil.
func wholeWithin(raw json.RawMessage, least, most int64) *int64 {
	v, ok := wholeNumber(raw)
	if !ok || v < least || v > most {
		return nil
	}
	return &v
}

// wholeNumber reads a JSON number whose value is whole, as a JavaScript program
// would see it: 1.0 and 1e3 are whole.
func wholeNumber(raw json.RawMessage) (int64, bool) {
	if len(raw) == 0 || (raw[0] != '-' && (raw[0] < '0' || raw[0] > '9')) {
		return 0, false
	}
	if v, ok := shortWhole(raw); ok {
		return v, true
	}
	f, err := strconv.ParseFloat(string(raw), 64)
	if err != nil || f != math.Trunc(f) || math.Abs(f) > MaxWhole {
		return 0, false
	}
	return int64(f), true
}

// shortWhole reads what almost all whole numbers are: a few digits.
func shortWhole(raw []byte) (v int64, ok bool) {
	if len(raw) > 15 {
		return 0, false
	}
	for _, c := range raw {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int64(c-'0')
	}
	return v, true
}
