package logbook

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func testZone(t testing.TB) *time.Location {
	t.Helper()
	return time.FixedZone("there", 2*3600)
}

// rfc4180 reads a file by the grammar of RFC 4180, section 2, and by nothing else: it shares no code with what writes.
func rfc4180(text string) (rows [][]string, err error) {
	for len(text) > 0 {
		var row []string
		for {
			var field string
			if strings.HasPrefix(text, `"`) { // escaped = DQUOTE *(TEXTDATA / COMMA / CR / LF / 2DQUOTE) DQUOTE
				text = text[1:]
				for {
					end := strings.IndexByte(text, '"')
					if end < 0 {
						return nil, errors.New("a quoted field has no end")
					}
					field += text[:end]
					text = text[end+1:]
					if !strings.HasPrefix(text, `"`) {
						break
					}
					field += `"`
					text = text[1:]
				}
			} else { // non-escaped = *TEXTDATA
				end := strings.IndexAny(text, ",\r\n\"")
				if end < 0 {
					return nil, errors.New("the last line has no end")
				}
				field, text = text[:end], text[end:]
			}
			row = append(row, field)
			if strings.HasPrefix(text, ",") {
				text = text[1:]
				continue
			}
			if !strings.HasPrefix(text, "\r\n") {
				return nil, errors.New("a line does not end with CRLF, or a quote stands in a field without quotes")
			}
			text = text[2:]
			break
		}
		if len(rows) > 0 && len(row) != len(rows[0]) {
			return nil, errors.New("a line has more or fewer fields than the first")
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func table(t *testing.T, scope Scope, notes ...string) []map[string]string {
	t.Helper()
	st := open(t)
	addPair(t, st, "p1")
	m := &maker{t: t, device: phone}
	for i, note := range notes {
		add(t, st, "p1", m.hold(i+1, map[string]any{"diver": note, "diver_id": "ansa0", "buddy": "Odo", "longest_s": 200}, map[string]any{"text": note, "conditions": []string{note, "cold"}})...)
	}
	var out bytes.Buffer
	n, err := WriteCSV(context.Background(), st, &out, scope, testZone(t), now())
	require.NoError(t, err)
	require.Equal(t, len(notes), n)
	text, found := strings.CutPrefix(out.String(), "\ufeff")
	require.True(t, found, "a spreadsheet needs the mark to read it as UTF-8")
	rows, err := rfc4180(text)
	require.NoError(t, err)
	var records []map[string]string
	for _, row := range rows[1:] {
		record := map[string]string{}
		for i, name := range rows[0] {
			record[name] = row[i]
		}
		records = append(records, record)
	}
	return records
}

// Ensures that the table can be read by RFC 4180 alone, with every sign in its cells, and says what the hold was.
func TestCSVKeepsToRFC4180(t *testing.T) {
	note := "commas, \"quotes\"\r\nlines\nand Ärger, 息"
	r := table(t, Scope{}, note)[0]
	require.Equal(t, "commas, \"quotes\"\r\nlines\r\nand Ärger, 息", r["note"], "a line break in a cell is CRLF too")
	want := map[string]string{
		"outing": "out-p1", "pair_number": "1", "hold": phone + "-h01", "start_utc": "2026-09-21T15:13:20.000Z", "start_local": "2026-09-21 17:13:20",
		"diver_id": "ansa0", "buddy": "Odo", "setting": "dry", "planned_s": "180", "agreed_end_s": "198", "longest_clean_s": "200", "hold_ms": "101000",
		"first_contraction_ms": "50000", "first_contraction_site": "belly", "easy_permille": "495", "contractions_count": "1", "answers_count": "1",
		"answer_median_ms": "900", "ok_after_surfacing_ms": "5000", "spo2_lowest_percent": "91", "spo2_lowest_after_surfacing_ms": "12000",
		"heart_rate_lowest_per_min": "55", "spo2_back_to_95_percent_after_surfacing_ms": "", "verdict": "clean", "clean": "true", "incident": "", "series": "",
	}
	for column, value := range want {
		require.Equal(t, value, r[column], column)
	}
}

// Ensures that nothing that people typed is a formula to a spreadsheet, wherever it stands.
func TestCSVHasNoFormula(t *testing.T) {
	evil := []string{"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\x00=1", "＝1", "＋1", "－1", "＠1", "'=1"}
	for i, r := range table(t, Scope{}, evil...) {
		for _, column := range []string{"diver", "note", "conditions"} {
			require.Equal(t, byte('\''), r[column][0], "%q in %s", evil[i], column)
		}
	}
	require.Equal(t, "fine - really = so", table(t, Scope{}, "fine - really = so")[0]["note"], "within a text they are harmless")
}

// Ensures that every column that is a quantity says its unit.
func TestCSVColumnsNameTheirUnits(t *testing.T) {
	units := []string{"_ms", "_s", "_permille", "_percent", "_per_min", "_count", "_utc", "_local", "_number", "_no", "_in_a_row"}
	words := []string{"outing", "hold", "diver", "diver_id", "buddy", "buddy_id", "setting", "series", "first_contraction_site", "signs", "incident", "verdict", "clean", "watch_ended_by_force", "conditions", "felt", "note", "buddy_note"}
	seen := map[string]bool{}
	for _, c := range csvColumns {
		require.False(t, seen[c.name], c.name)
		seen[c.name] = true
		named := false
		for _, unit := range units {
			named = named || strings.HasSuffix(c.name, unit)
		}
		for _, word := range words {
			named = named || c.name == word
		}
		require.True(t, named, c.name)
	}
}
