package logbook

import (
	"context"
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// byteOrderMark tells spreadsheets that a file is UTF-8; without it many take
// letters with accents for something else.
const byteOrderMark = "\ufeff"

// csvRow is what a row of the table is made from.
type csvRow struct {
	outing  string
	number  int
	line    *protocol.LogHold
	sum     protocol.Summary
	debrief protocol.Debrief
	zone    *time.Location
}

// csvColumns are the columns, with the unit in the name wherever there is one.
// PROTOCOL.md (7a) says what each means.
var csvColumns = []struct {
	name  string
	value func(*csvRow) string
}{
	{"outing", func(r *csvRow) string { return r.outing }},
	{"pair_number", func(r *csvRow) string { return strconv.Itoa(r.number) }},
	{"hold", func(r *csvRow) string { return r.line.Hold }},
	{"start_utc", func(r *csvRow) string { return time.UnixMilli(r.line.StartAt).UTC().Format("2006-01-02T15:04:05.000Z") }},
	{"start_local", func(r *csvRow) string { return time.UnixMilli(r.line.StartAt).In(r.zone).Format("2006-01-02 15:04:05") }},
	{"diver", func(r *csvRow) string { return text(r.line.Diver) }},
	{"diver_id", func(r *csvRow) string { return word(r.line.DiverID) }},
	{"buddy", func(r *csvRow) string { return text(r.line.Buddy) }},
	{"buddy_id", func(r *csvRow) string { return word(r.line.BuddyID) }},
	{"setting", func(r *csvRow) string { return word(r.line.Setting) }},
	{"series", func(r *csvRow) string { return word(r.line.Series) }},
	{"series_no", func(r *csvRow) string { return whole(r.line.SeriesNo) }},
	{"planned_s", func(r *csvRow) string { return whole(r.line.PlannedS) }},
	{"agreed_end_s", func(r *csvRow) string { return whole(r.line.EndByS) }},
	{"longest_clean_s", func(r *csvRow) string { return whole(r.line.LongestS) }},
	{"hold_ms", func(r *csvRow) string { return whole(r.sum.HoldMs) }},
	{"first_contraction_ms", func(r *csvRow) string { return whole(r.sum.FirstContractionMs) }},
	{"first_contraction_site", func(r *csvRow) string { return word(r.sum.FirstContractionSite) }},
	{"easy_ms", func(r *csvRow) string { return whole(r.sum.EasyMs) }},
	{"struggle_ms", func(r *csvRow) string { return whole(r.sum.StruggleMs) }},
	{"easy_permille", func(r *csvRow) string { return whole(r.sum.EasyPermille) }},
	{"contractions_count", func(r *csvRow) string { return count(r.sum.Contractions) }},
	{"answers_count", func(r *csvRow) string { return count(int64(len(r.sum.Answers))) }},
	{"answer_median_ms", func(r *csvRow) string { return whole(r.sum.AnswerMedianMs) }},
	{"answer_slowest_ms", func(r *csvRow) string { return whole(r.sum.AnswerSlowestMs) }},
	{"answer_trend_ms_per_min", func(r *csvRow) string { return whole(r.sum.AnswerTrendMsPerMin) }},
	{"longest_silence_ms", func(r *csvRow) string { return whole(r.sum.LongestSilenceMs) }},
	{"looks_count", func(r *csvRow) string { return count(int64(r.debrief.Looks)) }},
	{"taps_count", func(r *csvRow) string { return count(int64(r.debrief.Asked)) }},
	{"prompts_count", func(r *csvRow) string { return count(r.sum.RungsReached.Prompt) }},
	{"agains_count", func(r *csvRow) string { return count(r.sum.RungsReached.Again) }},
	{"alarms_count", func(r *csvRow) string { return count(r.sum.RungsReached.Alarm) }},
	{"prompts_missed_count", func(r *csvRow) string { return count(r.sum.RungsMissed) }},
	{"signs", func(r *csvRow) string { return signs(r.sum.Signs) }},
	{"ok_after_surfacing_ms", func(r *csvRow) string { return whole(r.sum.OKMs) }},
	{"spo2_lowest_percent", func(r *csvRow) string { return whole(r.sum.SpO2Lowest) }},
	{"spo2_lowest_after_surfacing_ms", func(r *csvRow) string { return whole(r.sum.SpO2LowestMs) }},
	{"heart_rate_lowest_per_min", func(r *csvRow) string { return whole(r.sum.HeartRateLowest) }},
	{"heart_rate_lowest_after_surfacing_ms", func(r *csvRow) string { return whole(r.sum.HeartRateLowestMs) }},
	{"spo2_back_to_95_percent_after_surfacing_ms", func(r *csvRow) string { return whole(r.sum.BackTo95Ms) }},
	{"incident", func(r *csvRow) string { return word(r.sum.Incident) }},
	{"verdict", func(r *csvRow) string { return word(r.sum.Verdict) }},
	{"clean", func(r *csvRow) string { return strconv.FormatBool(r.sum.Clean) }},
	{"watch_ended_by_force", func(r *csvRow) string { return strconv.FormatBool(r.sum.ForcedEnd) }},
	{"conditions", func(r *csvRow) string { return text(strings.Join(r.line.Conditions, "; ")) }},
	{"felt", func(r *csvRow) string { return text(strings.Join(r.line.Felt, "; ")) }},
	{"training_days_in_a_row", func(r *csvRow) string { return whole(r.line.TrainingDays) }},
	{"note", func(r *csvRow) string { return text(r.note(protocol.RoleDiver)) }},
	{"buddy_note", func(r *csvRow) string { return text(r.note(protocol.RoleBuddy)) }},
}

// WriteCSV writes the holds of a log as a table (RFC 4180, UTF-8 with a byte
// order mark), a row a hold that has begun. zone is for start_local. It gives
// the number of rows.
func WriteCSV(ctx context.Context, st *store.Store, out io.Writer, scope Scope, zone *time.Location, nowMs int64) (rows int, err error) {
	c, err := choose(ctx, st, scope)
	if err != nil {
		return 0, err
	}
	_, pairs, err := st.Outings(ctx)
	if err != nil {
		return 0, err
	}
	byID := map[string]store.PastPair{}
	for _, p := range pairs {
		byID[p.ID] = p
	}
	if _, err := io.WriteString(out, byteOrderMark); err != nil {
		return 0, err
	}
	w := csv.NewWriter(out)
	w.UseCRLF = true
	fields := make([]string, len(csvColumns))
	for i, column := range csvColumns {
		fields[i] = column.name
	}
	if err := w.Write(fields); err != nil {
		return 0, err
	}
	where := LocaleOf(zone)
	for _, ref := range c.holds {
		hold, err := foldHold(ctx, st, ref)
		if err != nil {
			return rows, err
		}
		line := protocol.LogHoldOf(hold, nowMs, where)
		if line == nil {
			continue
		}
		p := byID[ref.Pair]
		row := &csvRow{p.Session, p.Number, line, protocol.Summarize(hold, nowMs), protocol.DebriefOf(hold, nowMs), zone}
		for i, column := range csvColumns {
			fields[i] = column.value(row)
		}
		rows++
		if err := w.Write(fields); err != nil {
			return rows, err
		}
	}
	w.Flush()
	return rows, w.Error()
}

// text is a cell that people typed. A spreadsheet takes one that begins like a
// formula for a formula and would carry it out, also behind a quoting of its
// own; a single quote before it makes it text (OWASP ASVS 5, 1.2.10; its list
// and the full-width forms of its signs). Numbers need none: they are ours.
func text(s string) string {
	s = strings.ReplaceAll(s, "\x00", "")
	if strings.IndexAny(s, "=+-@\t\r\n＝＋－＠'") == 0 {
		return "'" + s
	}
	return s
}

func word(s *string) string {
	if s == nil {
		return ""
	}
	return text(*s)
}

func whole(v *int64) string {
	if v == nil {
		return ""
	}
	return count(*v)
}

func count(v int64) string { return strconv.FormatInt(v, 10) }

// signs are words with their ms since the start.
func signs(marks []protocol.SignMark) string {
	words := make([]string, len(marks))
	for i, m := range marks {
		words[i] = m.What + " " + count(m.AtMs) + " ms"
	}
	return strings.Join(words, "; ")
}

func (r *csvRow) note(about string) string {
	for _, n := range r.debrief.Notes {
		if n.About == about {
			return n.Text
		}
	}
	return ""
}
