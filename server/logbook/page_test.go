package logbook

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the test's zone, whatever the machine has

	"github.com/stretchr/testify/require"

	"buddyclock/server/store"
)

// whatPeopleType is what may stand in a name or a note, and what would make a table wrong.
var whatPeopleType = []string{
	`=HYPERLINK("http://pool.invalid";"Ansa")`, "+49 30", "-1", "@SUM(A1:A9)", "＝1+1", "'=1", "\t=1", "\r\n=1", "\x00=1",
	`Ünal "der Stille" Öz, jr.`, "two\nlines, and\r\nthree", "a\rb", "  spaces before", "\u0085next line", "\ufeffmark", "\u00a0hard space", `\.`, `"`, ",", "",
	"呼吸 🫁", "<b>bold</b> & more", "\u2028line", "1e3", "true", "Ansa\u0301", strings.Repeat("long ", 60),
}

// aLogOfAll fills a store with two outings that have, beside what people type, holds without an end, with an incident, of a
// series, without a plan, amended ones and unknown words.
func aLogOfAll(t *testing.T) *store.Store {
	st, m := open(t), &maker{t: t, device: phone}
	addPair(t, st, "p1")
	addPair(t, st, "p2")
	add(t, st, "p1", m.event(phone+"-h00", "profile", "buddy", startMs, map[string]any{"diver_id": "ansa0", "name": whatPeopleType[0], "remarks": whatPeopleType[10]}))
	for i, text := range whatPeopleType {
		plan := map[string]any{"diver": text, "buddy": whatPeopleType[(i+1)%len(whatPeopleType)], "setting": []string{"dry", "pool", "bath"}[i%3], "longest_s": 200 + i, "end_by_s": 200 + i}
		if i%4 == 0 {
			plan["diver_id"], plan["buddy_id"], plan["series"], plan["series_no"] = "ansa0", "odo0", "s1", i/4
		}
		note := map[string]any{"text": text, "conditions": []string{text, "cold"}, "felt": []string{"warmth", text}, "training_days": i}
		events := m.hold(i+1, plan, note)
		hold, at := events[0].Hold, events[1].At
		switch i % 5 {
		case 1: // no end
			events = events[:6]
		case 2:
			events = append(events, m.event(hold, "incident", "buddy", at+150_000, map[string]any{"what": "lmc"}), m.event(hold, "recovered", "buddy", at+170_000, nil))
		case 3:
			events = append(events, m.event(hold, "amend", "buddy", at+400_000, map[string]any{"target": events[3].ID, "at": at + 41_234}),
				m.event(hold, "sign", "diver", at+30_500, map[string]any{"what": "tense"}), m.event(hold, "note", "diver", at+500_000, map[string]any{"text": text, "about": "buddy"}))
		case 4: // nobody planned it
			events = events[1:]
		}
		add(t, st, []string{"p1", "p2"}[i*2/len(whatPeopleType)], events...)
	}
	return st
}

// phoneOf gives what a phone makes of a file, in a zone.
func phoneOf(t *testing.T, file []byte, zone string) (csv, lines string, added int) {
	t.Helper()
	in, err := json.Marshal(map[string]any{"now_ms": now(), "file": string(file)})
	require.NoError(t, err)
	node := exec.Command("node", "../../web/test/log_files.js")
	node.Stdin, node.Env = bytes.NewReader(in), append(os.Environ(), "TZ="+zone)
	var complaints bytes.Buffer
	node.Stderr = &complaints
	out, err := node.Output()
	require.NoError(t, err, complaints.String())
	var phone struct {
		Read struct {
			Added, Refusals int
			Refused         json.RawMessage
		}
		CSV, Lines string
	}
	require.NoError(t, json.Unmarshal(out, &phone))
	require.Zero(t, phone.Read.Refusals, string(phone.Read.Refused))
	return phone.CSV, phone.Lines, phone.Read.Added
}

// eventsIn gives the events of a file, spelt alike and sorted.
func eventsIn(t *testing.T, file string) []string {
	t.Helper()
	var all []string
	for line := range strings.Lines(file) {
		var l anyLine
		require.NoError(t, json.Unmarshal([]byte(line), &l))
		if l.Event == nil {
			continue
		}
		var event any
		require.NoError(t, json.Unmarshal(l.Event, &event))
		spelt, err := json.Marshal(event)
		require.NoError(t, err)
		all = append(all, fmt.Sprintf("%s %s", l.Pair, spelt))
	}
	slices.Sort(all)
	return all
}

// Ensures that a phone and the host give out the same log: the table byte by byte, the whole log event by event, and that
// either reads what the other gave out.
func TestPhoneAndHostGiveOutTheSame(t *testing.T) {
	st := aLogOfAll(t)
	for _, zone := range []string{"Europe/Berlin", "America/St_Johns"} {
		where, err := time.LoadLocation(zone)
		require.NoError(t, err)
		var table bytes.Buffer
		rows, err := WriteCSV(context.Background(), st, &table, Scope{}, where, now())
		require.NoError(t, err)
		require.Equal(t, len(whatPeopleType), rows)
		whole := exported(t, st, Scope{})
		events := eventsIn(t, string(whole))
		csv, lines, added := phoneOf(t, whole, zone)
		require.Len(t, events, added)
		require.Equal(t, strings.Split(table.String(), "\r\n"), strings.Split(csv, "\r\n"))
		require.Equal(t, table.String(), csv)
		_, err = rfc4180(strings.TrimPrefix(csv, byteOrderMark))
		require.NoError(t, err)
		require.Equal(t, events, eventsIn(t, lines))

		// The host takes the phone's file as its own, and gives out the same table again.
		report, _, err := Check(context.Background(), strings.NewReader(lines))
		require.NoError(t, err)
		require.True(t, report.Whole)
		require.Zero(t, report.Refused, report.Refusals)
		there := open(t)
		require.Equal(t, added, imported(t, there, []byte(lines)).Added)
		var again bytes.Buffer
		_, err = WriteCSV(context.Background(), there, &again, Scope{}, where, now())
		require.NoError(t, err)
		require.Equal(t, table.String(), again.String())
		require.Equal(t, added, imported(t, st, []byte(lines)).Known, "nothing of it is new where it came from")
	}
}
