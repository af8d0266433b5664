package logbook

import (
	"bytes"
	"context"
	"flag"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that an export holds everything: imported elsewhere it gives the same export, byte by byte, and imported again it
// changes nothing.
func TestH20ExportComesBackWhole(t *testing.T) {
	here, there := open(t), open(t)
	anOuting(t, here, 6)
	text := exported(t, here, Scope{})
	report := imported(t, there, text)
	require.True(t, report.Whole)
	require.Equal(t, Progress{Read: 1 + 1 + 1 + 1 + 6*12 + 1, Added: 1 + 6*12}, report.Progress)
	require.Equal(t, string(text), string(exported(t, there, Scope{})))

	report = imported(t, there, text)
	require.Equal(t, Progress{Read: report.Read, Known: 1 + 6*12}, report.Progress)
	require.Equal(t, string(text), string(exported(t, there, Scope{})))

	checked, holds, err := Check(context.Background(), bytes.NewReader(text))
	require.NoError(t, err)
	require.True(t, checked.Whole)
	require.Zero(t, checked.Refused, checked.Refusals)
	require.Equal(t, 7, holds, "six, and the one that stands for none")
	events, err := there.Verify(context.Background())
	require.NoError(t, err)
	require.EqualValues(t, 1+6*12, events)
}

// Ensures that an event of a file which lies in the future is refused by its line, and all else of the file is taken.
func TestH08AFileTellsWhichEventIsOfTheFuture(t *testing.T) {
	here := open(t)
	anOuting(t, here, 1)
	m := &maker{t: t, device: "cccccccccc"}
	ahead := m.event("cccccccccc-h01", "look", "buddy", now()+3_600_000, nil)
	add(t, here, "p1", ahead)
	there := open(t)
	report := imported(t, there, exported(t, here, Scope{}))
	require.True(t, report.Whole)
	require.Equal(t, 1+12, report.Added)
	require.Len(t, report.Refusals, 1)
	refused := report.Refusals[0]
	require.Equal(t, []any{"future", ahead.ID, report.Read - 1}, []any{refused.Code, refused.ID, refused.Line}, "the last line is the end")
	require.Contains(t, refused.Reason, "ahead of this host's time")
}

// every has every byte spoilt and every length tried; otherwise strides are taken.
var every = flag.Bool("every", false, "spoil every byte of an export, and cut it at every byte")

// Ensures that no byte of an export can be changed, and none cut off, without its check saying so.
func TestH20EveryDamageOfAnExportIsFound(t *testing.T) {
	st := open(t)
	anOuting(t, st, 1)
	text := exported(t, st, Scope{})
	sound := func(text []byte) bool {
		report, _, err := Check(context.Background(), bytes.NewReader(text))
		return err == nil && report.Whole && report.Refused == 0
	}
	require.True(t, sound(text))
	flips, cuts := 5, 31
	if *every {
		flips, cuts = 1, 1
	}
	for i := 0; i < len(text); i += flips {
		spoilt := bytes.Clone(text)
		spoilt[i] ^= 1
		require.False(t, sound(spoilt), "byte %d of %d was changed: %q", i, len(text), text[max(0, i-20):min(len(text), i+20)])
	}
	// The newline after the last line is no part of what it says.
	for i := 0; i < len(text)-1; i += cuts {
		require.False(t, sound(text[:i]), "cut off at byte %d of %d", i, len(text))
	}
}

// Ensures that what is not taken is named with its line and its reason, and that all else is taken.
func TestImportTellsWhatItRefused(t *testing.T) {
	st := open(t)
	anOuting(t, st, 1)
	lines := strings.SplitAfter(strings.TrimSuffix(string(exported(t, st, Scope{})), "\n"), "\n")
	fresh := open(t)
	first := strings.Index(lines[3], `"kind":"profile"`)
	require.Positive(t, first, lines[3])

	spoilt := append([]string{}, lines[:4]...)
	spoilt = append(spoilt,
		strings.Replace(lines[4], `"planned_s":180`, `"planned_s":181`, 1), // line 5
		strings.Replace(lines[5], `"pair":"p1"`, `"pair":"p2"`, 1),
		strings.Replace(lines[6], `"at":`, `"at":"soon","was":`, 1),
		strings.Replace(lines[7], `"id":"aaaaaaaaaa-0000`, `"id":"aaaaaaaaaa-00`, 1),
		"no line at all\n",
		lines[8])
	report := imported(t, fresh, []byte(strings.Join(spoilt, "")))
	var codes []string
	for _, r := range report.Refusals {
		require.NotEmpty(t, r.Reason)
		codes = append(codes, r.Code)
	}
	require.Equal(t, []string{"damaged", "no-pair", "bad-at", "bad-id", "not-json", "cut-off"}, codes)
	require.Equal(t, 5, report.Refusals[0].Line)
	require.False(t, report.Whole)
	require.Equal(t, 2, report.Added)

	// Another event of the same id is stored: that one counts.
	other := open(t)
	addPair(t, other, "p1")
	m := &maker{t: t, device: phone}
	add(t, other, "p1", m.event("h", "note", "buddy", startMs, map[string]any{"text": "mine"}))
	report = imported(t, other, []byte(strings.Join(lines, "")))
	require.Equal(t, 1, report.Refused)
	require.Equal(t, Refusal{4, phone + "-000001", "conflict", report.Refusals[0].Reason}, report.Refusals[0])
	require.Equal(t, 12, report.Added)

	_, err := Import(context.Background(), fresh, strings.NewReader("{\"id\":\"x\"}\n"), Options{})
	require.ErrorIs(t, err, ErrNotLog)
	_, err = Import(context.Background(), fresh, strings.NewReader(strings.Replace(lines[0], `"v":1`, `"v":2`, 1)), Options{})
	require.ErrorContains(t, err, "version 2")
	_, err = Import(context.Background(), fresh, strings.NewReader(strings.Repeat("x", 2*lineBytes)), Options{})
	require.ErrorIs(t, err, ErrNotLog)
	_, err = Import(context.Background(), fresh, strings.NewReader(""), Options{})
	require.ErrorIs(t, err, ErrEmpty)
}

// Ensures that a look at a file takes nothing from it, and judges it as an import does.
func TestLookTakesNothing(t *testing.T) {
	here := open(t)
	anOuting(t, here, 3)
	text := exported(t, here, Scope{})
	in, err := Look(bytes.NewReader(text))
	require.NoError(t, err)
	again, err := io.ReadAll(in)
	require.NoError(t, err)
	require.Equal(t, text, again)
	for wrong, want := range map[string]error{"": ErrEmpty, "\n": ErrNotLog, "{}": ErrNotLog, strings.Repeat("x", 2*lineBytes): ErrNotLog} {
		_, err := Look(strings.NewReader(wrong))
		require.ErrorIs(t, err, want)
	}
	_, err = Look(strings.NewReader(strings.Replace(string(text), `"v":1`, `"v":2`, 1)))
	require.ErrorContains(t, err, "version 2")
}

// Ensures that a long import tells how far it is, can be stopped, and goes on where it was the next time.
func TestImportStopsAndGoesOn(t *testing.T) {
	here, there := open(t), open(t)
	anOuting(t, here, 60)
	text := exported(t, here, Scope{})
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var steps []Progress
	report, err := Import(ctx, there, bytes.NewReader(text), Options{Tell: func(p Progress) {
		steps = append(steps, p)
		stop()
	}})
	require.ErrorIs(t, err, context.Canceled)
	require.Len(t, steps, 1)
	require.Equal(t, batchEvents, report.Added)
	again := imported(t, there, text)
	require.Equal(t, batchEvents, again.Known)
	require.Equal(t, 1+60*12-batchEvents, again.Added)
}

// Ensures that an export of a diver has their holds and what else was said of them, and nothing of anybody else's.
func TestExportOfOneDiver(t *testing.T) {
	st := open(t)
	anOuting(t, st, 6)
	// The same diver with another spelling and no id, on another day; and a namesake who has another id.
	addPair(t, st, "p2")
	m := &maker{t: t, device: "bbbbbbbbbb"}
	add(t, st, "p2", m.hold(1, map[string]any{"diver": " ansa  QUELLMOOR", "buddy": "Tuva"}, map[string]any{"text": "x"})...)
	add(t, st, "p2", m.hold(2, map[string]any{"diver": "Ansa Quellmoor", "diver_id": "other", "buddy": "Tuva"}, map[string]any{"text": "x"})...)

	_, err := FindDiver(context.Background(), st, Scope{}, "Ansa Quellmoor")
	var several *SeveralError
	require.ErrorAs(t, err, &several)
	require.ElementsMatch(t, []string{"ansa0", "other"}, several.IDs)
	_, err = FindDiver(context.Background(), st, Scope{}, "nobody")
	require.ErrorIs(t, err, ErrNoDiver)
	ansa, err := FindDiver(context.Background(), st, Scope{}, "ansa0")
	require.NoError(t, err)
	require.Equal(t, "Ansa Quellmoor", ansa.Name)

	text := string(exported(t, st, Scope{Diver: ansa}))
	require.Equal(t, 4, strings.Count(text, `"kind":"start"`), "three by id, one by name")
	require.Equal(t, 1, strings.Count(text, `"kind":"profile"`))
	require.NotContains(t, text, "Odo was well")
	require.NotContains(t, text, `"other"`)
	text = string(exported(t, st, Scope{Diver: ansa, Outing: "out-p2"}))
	require.Equal(t, 1, strings.Count(text, `"kind":"start"`))
}

// Ensures that lines of the log are kept only as long as they are true: a later word on a hold makes its line anew, and what
// was erased is forgotten.
func TestLinesFollowTheLog(t *testing.T) {
	st := open(t)
	anOuting(t, st, 6)
	lines := NewLines(st, LocaleOf(testZone(t)))
	of := func(scope Scope) []protocol.LogHold {
		found, err := lines.Of(context.Background(), scope, now())
		require.NoError(t, err)
		return found
	}
	first := of(Scope{Pair: "p1"})
	require.Len(t, first, 6)
	require.True(t, first[0].Clean)
	require.Equal(t, first, of(Scope{}))

	m := &maker{t: t, device: "bbbbbbbbbb"}
	add(t, st, "p1", m.event(phone+"-h01", "verdict", "buddy", now()-1, map[string]any{"what": "passed-out"}))
	again := of(Scope{})
	require.False(t, again[0].Clean)
	require.True(t, again[0].PassedOut)
	require.Equal(t, first[1:], again[1:])

	ansa, err := FindDiver(context.Background(), st, Scope{}, "ansa0")
	require.NoError(t, err)
	plan, err := PlanErase(context.Background(), st, Scope{Diver: ansa})
	require.NoError(t, err)
	_, err = plan.Carry(context.Background(), st)
	require.NoError(t, err)
	lines.Forget()
	require.Len(t, of(Scope{}), 3)
	require.Len(t, lines.kept, 3)
}

// Ensures that names are one whatever their case, spaces and way to write an accent.
func TestNamesAreCompared(t *testing.T) {
	require.Equal(t, NameKey("Änne  Ott "), NameKey("a\u0308nne ott"))
	require.NotEqual(t, NameKey("Anne"), NameKey("Änne"))
	require.Empty(t, NameKey(" \t"))
}
