package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"buddyclock/protocol"
)

// holdReport is one line of `buddyclock replay`: a hold at one instant.
type holdReport struct {
	protocol.Status
	Summary protocol.Summary `json:"summary"`
}

// rungReport is one line of `buddyclock replay -timeline`.
type rungReport struct {
	Hold string `json:"hold"`
	protocol.Rung
}

// replay folds a file of events and prints what the rules make of it. The exit
// code is also exitFailed where a line was bad.
func (m *Main) replay(args []string) int {
	flags := flag.NewFlagSet("buddyclock replay", flag.ContinueOnError)
	timeline := flags.Bool("timeline", false, "print every rung reached, one JSON line each")
	var atMs *int64
	flags.Func("at", "evaluate at this many `seconds` since the start (may be negative); without it, at the hold's last event",
		func(seconds string) (err error) {
			atMs, err = sinceStartMs(seconds)
			return err
		})
	const head = "buddyclock replay [-timeline] [-at SECONDS] FILE\n\nFolds a file of events (JSON Lines, in any order; - for standard input) and prints one JSON object for each hold."
	files, code, ok := m.command(flags, args, 1, head)
	if !ok {
		return code
	}
	if len(files) == 0 {
		return m.misused(flags, head, errors.New("name the file of events, or - for standard input"))
	}
	in, _, err := m.input(files[0])
	if err != nil {
		return m.fail(fmt.Errorf("cannot read the events: %w", err))
	}
	defer in.Close()
	holds, bad, err := readHolds(in, m.Stderr)
	if err != nil {
		return m.fail(fmt.Errorf("cannot read the events on: %w", err))
	}
	out := bufio.NewWriter(m.Stdout)
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	for _, h := range holds {
		t, _ := h.LastAt()
		if atMs != nil {
			if start := h.StatusAt(t).StartAt; start != nil {
				t = *start + *atMs
			} else {
				fmt.Fprintf(m.Stderr, "hold %s has not started: shown at its last event\n", h.ID)
			}
		}
		if err := printHold(enc, h, t, *timeline); err != nil {
			return m.fail(fmt.Errorf("cannot write: %w", err))
		}
	}
	if err := out.Flush(); err != nil {
		return m.fail(fmt.Errorf("cannot write: %w", err))
	}
	if bad {
		return exitFailed
	}
	return exitOK
}

func printHold(enc *json.Encoder, h *protocol.Hold, t int64, timeline bool) error {
	if !timeline {
		return enc.Encode(holdReport{h.StatusAt(t), protocol.Summarize(h, t)})
	}
	for _, r := range h.TimelineAt(t) {
		if err := enc.Encode(rungReport{h.ID, r}); err != nil {
			return err
		}
	}
	return nil
}

// sinceStartMs reads decimal seconds as whole ms.
func sinceStartMs(seconds string) (*int64, error) {
	s, err := strconv.ParseFloat(seconds, 64)
	ms := math.Round(s * 1000)
	if err != nil || math.IsNaN(ms) || math.Abs(ms) > protocol.MaxWhole {
		return nil, errors.New("it is not a number of seconds")
	}
	whole := int64(ms)
	return &whole, nil
}

// readHolds reads JSON Lines. A bad line is named with its number and reason
// on complaints, and left out.
func readHolds(in io.Reader, complaints io.Writer) (holds []*protocol.Hold, bad bool, err error) {
	byID := map[string]*protocol.Hold{}
	seen := map[string]protocol.Event{}
	lines := bufio.NewReader(in)
	for n := 1; ; n++ {
		line, readErr := lines.ReadBytes('\n')
		if readErr != nil && !errors.Is(readErr, io.EOF) {
			return nil, bad, fmt.Errorf("line %d: %w", n, readErr)
		}
		if n == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if line = bytes.TrimSpace(line); len(line) > 0 {
			if reason := takeLine(line, byID, seen); reason != "" {
				bad = true
				fmt.Fprintf(complaints, "line %d: %s\n", n, reason)
			}
		}
		if readErr != nil {
			break
		}
	}
	for _, h := range byID {
		holds = append(holds, h)
	}
	slices.SortFunc(holds, func(a, b *protocol.Hold) int { return strings.Compare(a.ID, b.ID) })
	return holds, bad, nil
}

// takeLine puts one line's event into its hold, or says why it cannot.
func takeLine(line []byte, holds map[string]*protocol.Hold, seen map[string]protocol.Event) string {
	e, err := protocol.Decode(line)
	if err != nil {
		return err.Error()
	}
	if first, there := seen[e.ID]; there {
		if !protocol.SameContent(first, e) {
			return fmt.Sprintf("event %q is there already with other content; the first one is kept", e.ID)
		}
		return ""
	}
	seen[e.ID] = e
	h := holds[e.Hold]
	if h == nil {
		h = protocol.NewHold(e.Hold)
		holds[e.Hold] = h
	}
	h.Add(e)
	return ""
}
