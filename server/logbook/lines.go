package logbook

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"

	"buddyclock/server/store"
)

// formatVersion is the version of the lines; formatName stands in the first one.
const (
	formatName    = "log"
	formatVersion = 1
)

// The lines of an export: a header, the outings and pairs, each event with how
// it was filed, and an end with a checksum over all that is before it.
type (
	headerLine struct {
		Buddyclock string `json:"buddyclock"`
		V          int    `json:"v"`
		MadeMs     int64  `json:"made_ms"`
	}
	outingLine struct {
		ID        string `json:"id"`
		StartedMs int64  `json:"started_ms"`
	}
	pairLine struct {
		ID     string `json:"id"`
		Outing string `json:"outing"`
		Number int    `json:"number"`
		MadeMs int64  `json:"made_ms"`
	}
	endLine struct {
		Events int    `json:"events"`
		SHA256 string `json:"sha256"`
	}
	anyLine struct {
		Buddyclock string          `json:"buddyclock"`
		V          int             `json:"v"`
		Outing     *outingLine     `json:"outing"`
		Event      json.RawMessage `json:"event"`
		Pair       json.RawMessage `json:"pair"` // a pair, or of an event its id
		StoredMs   int64           `json:"stored_ms"`
		Sum        string          `json:"sum"`
		End        *endLine        `json:"end"`
	}
)

// lineWriter writes lines and sums up what it wrote.
type lineWriter struct {
	out    *bufio.Writer
	digest hash.Hash
	events int
}

func (w *lineWriter) write(line []byte) error {
	line = append(line, '\n')
	w.digest.Write(line)
	_, err := w.out.Write(line)
	return err
}

func (w *lineWriter) writeJSON(v any) error {
	line, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return w.write(line)
}

// event writes an event byte by byte as it is stored, since its checksum is over
// these bytes.
func (w *lineWriter) event(f store.Filed) error {
	w.events++
	line := append([]byte(`{"event":`), f.Event.Encode()...)
	pair, err := json.Marshal(f.Pair)
	if err != nil {
		return err
	}
	return w.write(fmt.Appendf(line, `,"pair":%s,"stored_ms":%d,"sum":"%x"}`, pair, f.StoredMs, f.Sum))
}

// WriteLines writes a log as JSON Lines, complete, so that it can be imported
// again. It gives the number of events.
func WriteLines(ctx context.Context, st *store.Store, out io.Writer, scope Scope, nowMs int64) (events int, err error) {
	c, err := choose(ctx, st, scope)
	if err != nil {
		return 0, err
	}
	w := &lineWriter{out: bufio.NewWriterSize(out, 1<<16), digest: sha256.New()}
	if err := w.writeJSON(headerLine{formatName, formatVersion, nowMs}); err != nil {
		return 0, err
	}
	if err := w.places(ctx, st, &c); err != nil {
		return 0, err
	}
	err = c.events(ctx, st, func(filed []store.Filed) error {
		for _, f := range filed {
			if err := w.event(f); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return w.events, err
	}
	if err := w.writeJSON(map[string]endLine{"end": {w.events, hex.EncodeToString(w.digest.Sum(nil))}}); err != nil {
		return w.events, err
	}
	return w.events, w.out.Flush()
}

// places writes the outings and pairs that the events belong to.
func (w *lineWriter) places(ctx context.Context, st *store.Store, c *chosen) error {
	used := map[string]bool{}
	for _, h := range c.holds {
		used[h.Pair] = true
	}
	for _, id := range c.loose {
		filed, err := st.FiledEvent(ctx, id)
		if err != nil {
			return err
		}
		for _, f := range filed {
			used[f.Pair] = true
		}
	}
	outings, pairs, err := st.Outings(ctx)
	if err != nil {
		return err
	}
	for _, o := range outings {
		first := true
		for _, p := range pairs {
			if p.Session != o.ID || !used[p.ID] {
				continue
			}
			if first {
				first = false
				if err := w.writeJSON(map[string]outingLine{"outing": {o.ID, o.StartedMs}}); err != nil {
					return err
				}
			}
			if err := w.writeJSON(map[string]pairLine{"pair": {p.ID, p.Session, p.Number, p.MadeMs}}); err != nil {
				return err
			}
		}
	}
	return nil
}
