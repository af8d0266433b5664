package protocol

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

const (
	idSigns = "0123456789abcdefghijklmnopqrstuvwxyz-"
	maxIDIn = 64
)

// Person is somebody a plan names. Key is the name as names are compared, ""
// for nobody; see Locale.
type Person struct {
	ID  *string `json:"id"` // the id over outings, nil where the plan has none
	Key string  `json:"key"`
}

// Same tells whether two are one person for the log: their ids say so; where
// one has no id, their names do.
func (p Person) Same(q Person) bool {
	if p.ID != nil && q.ID != nil {
		return *p.ID == *q.ID
	}
	return p.Key != "" && p.Key == q.Key
}

// MaybeSame tells whether two may be one person, by id or by name: the careful
// reading, by which a block or a rest holds.
func (p Person) MaybeSame(q Person) bool {
	return (p.ID != nil && q.ID != nil && *p.ID == *q.ID) || (p.Key != "" && p.Key == q.Key)
}

// Locale is what the log needs of where it is read. Times are shared ms.
type Locale struct {
	DayOf   func(ms int64) int64 // the day's number; the next day has the next one
	DayEnd  func(ms int64) int64 // when that day ends
	NameKey func(name string) string
}

// Profile is what a diver told of themselves.
type Profile struct {
	DiverID    string   `json:"diver_id"`
	Name       string   `json:"name"`
	Signal     string   `json:"signal"`
	Number     string   `json:"number"` // local emergency number
	Hears      []string `json:"hears"`
	TrainedOn  *string  `json:"trained_on"` // YYYY-MM-DD
	LMCOn      *string  `json:"lmc_on"`
	BlackoutOn *string  `json:"blackout_on"`
	Remarks    string   `json:"remarks"` // for a buddy
	At         int64    `json:"at"`      // shared time, Unix ms
}

// idValue reads an id of a person or a series: 1 to 64 of a-z, 0-9 and '-'.
func idValue(raw json.RawMessage) *string {
	s, ok := stringValue(raw)
	if !ok || s == "" || len(s) > maxIDIn {
		return nil
	}
	if strings.ContainsFunc(s, func(r rune) bool { return !strings.ContainsRune(idSigns, r) }) {
		return nil
	}
	return &s
}

// ReadID reads an id of a person or a series from its JSON text; nil where it is
// none.
func ReadID(raw json.RawMessage) *string { return idValue(raw) }

// dayValue reads a day that the calendar has, spelt YYYY-MM-DD.
func dayValue(raw json.RawMessage) *string {
	s, ok := stringValue(raw)
	var year, month, day int
	if !ok || len(s) != 10 {
		return nil
	}
	if n, err := fmt.Sscanf(s, "%04d-%02d-%02d", &year, &month, &day); n != 3 || err != nil || fmt.Sprintf("%04d-%02d-%02d", year, month, day) != s {
		return nil
	}
	days := [...]int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
		days[1] = 29
	}
	if year < 1 || month < 1 || month > 12 || day < 1 || day > days[month-1] {
		return nil
	}
	return &s
}

// wordsValue reads the strings of a list, each once, empty ones left out;
// anything else has none.
func wordsValue(raw json.RawMessage) []string {
	words := []string{}
	var values []json.RawMessage
	if json.Unmarshal(raw, &values) != nil {
		return words
	}
	for _, v := range values {
		if word, ok := stringValue(v); ok && word != "" && !slices.Contains(words, word) {
			words = append(words, word)
		}
	}
	return words
}

// ReadProfile reads the data of a `profile` event made at the given time; false
// without an id or a name.
func ReadProfile(data json.RawMessage, at int64) (Profile, bool) {
	fields, err := decodeObject(data)
	if err != nil {
		return Profile{}, false
	}
	text := func(key string) string { s, _ := stringValue(fields[key]); return s }
	id := idValue(fields["diver_id"])
	if id == nil || text("name") == "" {
		return Profile{}, false
	}
	return Profile{
		DiverID: *id, Name: text("name"), Signal: text("signal"), Number: text("number"),
		Hears: wordsValue(fields["hears"]), TrainedOn: dayValue(fields["trained_on"]), LMCOn: dayValue(fields["lmc_on"]),
		BlackoutOn: dayValue(fields["blackout_on"]), Remarks: text("remarks"), At: at,
	}, true
}

// ProfilesOf gives the profiles among events, of each id the newest, by id.
func ProfilesOf(events []Event) []Profile {
	found := map[string]Profile{}
	for _, e := range slices.SortedFunc(slices.Values(events), Compare) {
		if e.Kind != KindProfile {
			continue
		}
		if p, ok := ReadProfile(e.Data, e.At); ok {
			found[p.DiverID] = p
		}
	}
	profiles := []Profile{}
	for _, p := range found {
		profiles = append(profiles, p)
	}
	slices.SortFunc(profiles, func(a, b Profile) int { return cmp.Compare(a.DiverID, b.DiverID) })
	return profiles
}
