package logbook

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

const (
	batchEvents = 500      // of an import that go into one transaction
	lineBytes   = 64 << 10 // of the longest line; an event has a quarter of it at most
	listedMost  = 1_000    // refusals that a report lists
)

var (
	// ErrNotLog is returned for what is no export of this program.
	ErrNotLog = errors.New("this is no export of Buddyclock: its first line says otherwise")
	// ErrEmpty is returned for a file in which there is nothing.
	ErrEmpty = errors.New("the file is empty")
)

// Refusal tells which line of a file was not taken and why.
type Refusal struct {
	Line   int    `json:"line"`
	ID     string `json:"id,omitempty"` // of the event, where it can be read
	Code   string `json:"code"`
	Reason string `json:"reason"`
}

func (r Refusal) String() string {
	if r.ID == "" {
		return fmt.Sprintf("line %d: %s (%s)", r.Line, r.Reason, r.Code)
	}
	return fmt.Sprintf("line %d, %s: %s (%s)", r.Line, r.ID, r.Reason, r.Code)
}

// Progress tells how far a file has been read.
type Progress struct {
	Read    int `json:"read"`    // lines
	Added   int `json:"added"`   // events that were new
	Known   int `json:"known"`   // events that were there already
	Refused int `json:"refused"` // lines that were not taken
}

// Report is what became of a file. Whole tells that it has its end, and that
// nothing in it was changed since it was written.
type Report struct {
	Progress
	Whole    bool      `json:"whole"`
	Refusals []Refusal `json:"refusals"` // the first of them
}

func (r *Report) refuse(line int, id, code, format string, args ...any) {
	r.Refused++
	if len(r.Refusals) < listedMost {
		r.Refusals = append(r.Refusals, Refusal{line, id, code, fmt.Sprintf(format, args...)})
	}
}

// reader reads an export line by line.
type reader struct {
	Report
	outings map[string]outingLine
	pairs   map[string]bool
	events  int // lines that hold one, sound or not
	sum     string
	ended   bool
	// addPair and addEvent take what was read; an error from them ends the reading.
	addPair  func(line int, o outingLine, p pairLine) error
	addEvent func(line int, f store.Filed) error
}

func (r *reader) read(ctx context.Context, in io.Reader) error {
	r.outings, r.pairs, r.Refusals = map[string]outingLine{}, map[string]bool{}, []Refusal{}
	lines := bufio.NewReaderSize(in, lineBytes)
	digest := sha256.New()
	for last := false; !last && !r.ended; {
		if err := ctx.Err(); err != nil {
			return err
		}
		text, err := lines.ReadSlice('\n')
		switch last = errors.Is(err, io.EOF); {
		case errors.Is(err, bufio.ErrBufferFull) && r.Read == 0:
			return ErrNotLog
		case errors.Is(err, bufio.ErrBufferFull):
			return fmt.Errorf("line %d is longer than any of an export", r.Read+1)
		case err != nil && !last:
			return fmt.Errorf("the file cannot be read on after line %d: %w", r.Read, err)
		case len(text) == 0:
			continue
		}
		r.Read++
		r.sum = hex.EncodeToString(digest.Sum(nil))
		if err := r.line(text); err != nil {
			return err
		}
		digest.Write(text)
	}
	if r.Read == 0 {
		return ErrEmpty
	}
	if !r.ended {
		r.refuse(r.Read, "", "cut-off", "the file has no end: what came after this line is lost")
	}
	return nil
}

// judgeHead tells by the first line whether this program reads a file.
func judgeHead(text []byte) error {
	var head anyLine
	switch err := json.Unmarshal(text, &head); {
	case err != nil || head.Buddyclock != formatName:
		return ErrNotLog
	case head.V != formatVersion:
		return fmt.Errorf("this export has version %d, and this program reads %d: use the program that made it, or a newer one", head.V, formatVersion)
	}
	return nil
}

// Look tells by its first line whether a file can be imported, before anything is
// made for it, and gives a reader of the whole.
func Look(in io.Reader) (io.Reader, error) {
	lines := bufio.NewReaderSize(in, lineBytes)
	head, err := lines.ReadSlice('\n')
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return nil, ErrNotLog
	case err != nil && !errors.Is(err, io.EOF):
		return nil, fmt.Errorf("the file cannot be read: %w", err)
	case len(head) == 0:
		return nil, ErrEmpty
	}
	return io.MultiReader(bytes.NewReader(bytes.Clone(head)), lines), judgeHead(head)
}

// line takes one line. Its error ends the reading.
func (r *reader) line(text []byte) error {
	if r.Read == 1 {
		return judgeHead(text)
	}
	var l anyLine
	err := json.Unmarshal(text, &l)
	switch {
	case err != nil:
		r.refuse(r.Read, "", "not-json", "the line is no JSON object of an export: %v", err)
	case l.Event != nil:
		return r.event(&l)
	case l.Outing != nil:
		r.outings[l.Outing.ID] = *l.Outing
	case l.Pair != nil:
		return r.pair(l.Pair)
	case l.End != nil:
		r.ended = true
		r.Whole = l.End.SHA256 == r.sum && l.End.Events == r.events
		if !r.Whole {
			r.refuse(r.Read, "", "changed", "the file is not as it was written: lines are missing or were changed")
		}
	}
	return nil
}

func (r *reader) pair(text json.RawMessage) error {
	var p pairLine
	if err := json.Unmarshal(text, &p); err != nil || p.ID == "" || p.Number < 1 {
		r.refuse(r.Read, "", "bad-pair", "the pair cannot be read")
		return nil
	}
	outing, there := r.outings[p.Outing]
	if !there {
		r.refuse(r.Read, "", "bad-pair", "the pair's outing does not stand before it")
		return nil
	}
	r.pairs[p.ID] = true
	return r.addPair(r.Read, outing, p)
}

func (r *reader) event(l *anyLine) error {
	r.events++
	var pair string
	e, err := protocol.Decode(l.Event)
	var problem *protocol.Problem
	switch {
	case errors.As(err, &problem):
		r.refuse(r.Read, "", problem.Code, "%s", problem.Reason)
		return nil
	case err != nil:
		r.refuse(r.Read, "", "not-json", "%v", err)
		return nil
	case json.Unmarshal(l.Pair, &pair) != nil || !r.pairs[pair]:
		r.refuse(r.Read, e.ID, "no-pair", "the event's pair does not stand before it")
		return nil
	case !access.IsEventID(e.ID):
		r.refuse(r.Read, e.ID, "bad-id", "the id is not a device id, '-' and a counter of six digits")
		return nil
	}
	sum, _ := store.SumOf(pair, l.StoredMs, &e)
	if hex.EncodeToString(sum) != l.Sum {
		r.refuse(r.Read, e.ID, "damaged", "the event does not match its checksum")
		return nil
	}
	return r.addEvent(r.Read, store.Filed{Pair: pair, StoredMs: l.StoredMs, Event: e, Sum: sum})
}

// Options say how a file is imported.
type Options struct {
	BringBack bool           // also events that were erased
	Running   string         // id of an outing that runs meanwhile: nothing of it is taken
	Tell      func(Progress) // called from time to time
}

// Import reads an export into the data file. What is there already is left as it
// is, so that a file can be imported again, and one that broke off be gone on
// with. The report tells what was done also where an error ended it.
func Import(ctx context.Context, st *store.Store, in io.Reader, how Options) (Report, error) {
	type waiting struct {
		line int
		id   string
	}
	var filed []store.Filed
	var from []waiting
	r := &reader{}
	running, err := runningOf(ctx, st, how.Running)
	if err != nil {
		return r.Report, err
	}
	flush := func() error {
		outcomes, err := st.Import(filed, how.BringBack)
		if err != nil {
			return fmt.Errorf("cannot store events: %w", err)
		}
		for i, outcome := range outcomes {
			switch outcome {
			case store.Stored:
				r.Added++
			case store.Known:
				r.Known++
			case store.Erased:
				r.refuse(from[i].line, from[i].id, "erased", "the event was erased here, and stays so")
			case store.Ahead:
				r.refuse(from[i].line, from[i].id, "future", "the event, or its coming, lies ahead of this host's time: one of the two hosts has a wrong clock")
			default:
				r.refuse(from[i].line, from[i].id, "conflict", "another event with this id is stored already; that one counts")
			}
		}
		filed, from = filed[:0], from[:0]
		if how.Tell != nil {
			how.Tell(r.Progress)
		}
		return ctx.Err()
	}
	r.addPair = func(line int, o outingLine, p pairLine) error {
		if running.of(p.ID, o.ID) {
			if !running.pairs[p.ID] {
				r.refuse(line, "", "running", "this outing is running here, and has no such pair")
				delete(r.pairs, p.ID)
			}
			return nil
		}
		return st.AddPast(store.Session{ID: o.ID, StartedMs: o.StartedMs},
			[]store.PastPair{{Pair: store.Pair{ID: p.ID, Session: o.ID, Number: p.Number}, MadeMs: p.MadeMs}})
	}
	r.addEvent = func(line int, f store.Filed) error {
		if running.speaksFor(&f) {
			known, err := st.Has(ctx, f.Pair, &f.Event)
			switch {
			case err != nil:
				return err
			case known:
				r.Known++
			default:
				r.refuse(line, f.Event.ID, "running", "its outing is running here: what its devices recorded they bring themselves")
			}
			return nil
		}
		filed, from = append(filed, f), append(from, waiting{line, f.Event.ID})
		if len(filed) < batchEvents {
			return nil
		}
		return flush()
	}
	err = r.read(ctx, in)
	if err == nil && len(filed) > 0 {
		err = flush()
	}
	return r.Report, err
}

// Check reads an export without storing anything: every event's checksum, that
// no line is missing, and that each hold can be folded. It gives how many events
// and holds there are.
func Check(ctx context.Context, in io.Reader) (report Report, holds int, err error) {
	folded := map[store.HoldRef]*protocol.Hold{}
	r := &reader{addPair: func(int, outingLine, pairLine) error { return nil }}
	r.addEvent = func(line int, f store.Filed) error {
		ref := store.HoldRef{Pair: f.Pair, Hold: f.Event.Hold}
		if folded[ref] == nil {
			folded[ref] = protocol.NewHold(ref.Hold)
		}
		added, conflict := folded[ref].Add(f.Event)
		switch {
		case added:
			r.Added++
		case conflict:
			r.refuse(line, f.Event.ID, "conflict", "the event is there twice, with two contents")
		default:
			r.Known++
		}
		return nil
	}
	if err := r.read(ctx, in); err != nil {
		return r.Report, 0, err
	}
	for _, h := range folded {
		if last, ok := h.LastAt(); ok {
			h.StatusAt(last)
		}
	}
	return r.Report, len(folded), nil
}
