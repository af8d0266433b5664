// Package logbook takes the log out of the data file and into it: who has dived,
// exports as CSV and JSON Lines, import, and erasing a diver for good.
package logbook

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/unicode/norm"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// ErrNoDiver is returned where nobody of that name or id has dived.
var ErrNoDiver = errors.New("no diver of that name or id is in the log")

// SeveralError is returned where a name alone does not tell who is meant.
type SeveralError struct {
	Name string
	IDs  []string
}

func (e *SeveralError) Error() string {
	return fmt.Sprintf("several divers are called %q: name one by the id (%s)", e.Name, strings.Join(e.IDs, ", "))
}

// NameKey is a name as names are compared (PROTOCOL.md, 4a).
func NameKey(name string) string {
	return strings.ToLower(norm.NFC.String(strings.Join(strings.Fields(name), " ")))
}

// LocaleOf counts days by the clocks of a place.
func LocaleOf(zone *time.Location) protocol.Locale {
	midnight := func(ms int64, days int) time.Time {
		y, m, d := time.UnixMilli(ms).In(zone).Date()
		return time.Date(y, m, d+days, 0, 0, 0, 0, zone)
	}
	return protocol.Locale{
		DayOf: func(ms int64) int64 {
			y, m, d := time.UnixMilli(ms).In(zone).Date()
			return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86_400
		},
		DayEnd:  func(ms int64) int64 { return midnight(ms, 1).UnixMilli() },
		NameKey: NameKey,
	}
}

// Diver is somebody who has dived, over all outings.
type Diver struct {
	ID      string // "" where no plan ever had one
	Name    string // as it was spelt last
	Holds   int    // planned or made
	FirstMs int64  // shared Unix ms
	LastMs  int64
	keys    []string
}

// is tells whether somebody whom an event names is this diver.
func (d *Diver) is(p protocol.Person) bool {
	if d.ID != "" && p.ID != nil {
		return *p.ID == d.ID
	}
	return p.Key != "" && slices.Contains(d.keys, p.Key)
}

// Divers gives all who have dived in the pairs of a scope, the last one first.
func Divers(ctx context.Context, st *store.Store, scope Scope) ([]Diver, error) {
	covers, err := pairsOf(ctx, st, scope)
	if err != nil {
		return nil, err
	}
	plans, err := newestPlans(ctx, st)
	if err != nil {
		return nil, err
	}
	found := map[string]*Diver{}
	for at, e := range plans {
		if !covers(at.Pair) {
			continue
		}
		who, name := personIn(e.Data, "diver_id", "diver")
		if who.ID == nil && who.Key == "" {
			continue
		}
		group := "name " + who.Key
		if who.ID != nil {
			group = "id " + *who.ID
		}
		d := found[group]
		if d == nil {
			d = &Diver{FirstMs: e.At, LastMs: e.At, Name: name}
			if who.ID != nil {
				d.ID = *who.ID
			}
			found[group] = d
		}
		d.Holds++
		d.FirstMs = min(d.FirstMs, e.At)
		if e.At >= d.LastMs {
			d.LastMs, d.Name = e.At, name
		}
		if who.Key != "" && !slices.Contains(d.keys, who.Key) {
			d.keys = append(d.keys, who.Key)
		}
	}
	var divers []Diver
	for _, d := range found {
		divers = append(divers, *d)
	}
	slices.SortFunc(divers, func(a, b Diver) int { return cmp.Or(cmp.Compare(b.LastMs, a.LastMs), cmp.Compare(a.ID, b.ID)) })
	return divers, nil
}

// FindDiver finds a diver by id, or by name, among those who have dived in the pairs
// of a scope. One with an id takes along the holds under the same name that have none.
func FindDiver(ctx context.Context, st *store.Store, scope Scope, nameOrID string) (*Diver, error) {
	divers, err := Divers(ctx, st, scope)
	if err != nil {
		return nil, err
	}
	var found []Diver
	for _, d := range divers {
		if d.ID != "" && d.ID == nameOrID {
			return &d, nil
		}
		if slices.Contains(d.keys, NameKey(nameOrID)) {
			found = append(found, d)
		}
	}
	withID := slices.DeleteFunc(slices.Clone(found), func(d Diver) bool { return d.ID == "" })
	switch {
	case len(found) == 0:
		return nil, ErrNoDiver
	case len(withID) == 0:
		return &found[0], nil
	case len(withID) == 1:
		return &withID[0], nil
	}
	several := &SeveralError{Name: nameOrID}
	for _, d := range withID {
		several.IDs = append(several.IDs, d.ID)
	}
	return nil, several
}

// newestPlans gives the last plan of each hold.
func newestPlans(ctx context.Context, st *store.Store) (map[store.HoldRef]protocol.Event, error) {
	plans, err := st.FiledKinds(ctx, protocol.KindPlan)
	if err != nil {
		return nil, err
	}
	newest := map[store.HoldRef]protocol.Event{}
	for _, f := range plans {
		at := store.HoldRef{Pair: f.Pair, Hold: f.Event.Hold}
		if old, there := newest[at]; !there || protocol.Compare(old, f.Event) < 0 {
			newest[at] = f.Event
		}
	}
	return newest, nil
}

// personIn reads whom an event's data names, and how.
func personIn(data json.RawMessage, idField, nameField string) (protocol.Person, string) {
	var fields map[string]json.RawMessage
	if json.Unmarshal(data, &fields) != nil {
		return protocol.Person{}, ""
	}
	var name string
	if json.Unmarshal(fields[nameField], &name) != nil {
		name = ""
	}
	return protocol.Person{ID: protocol.ReadID(fields[idField]), Key: NameKey(name)}, name
}
