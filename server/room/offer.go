package room

import (
	"encoding/json"
	"fmt"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

// Limits of what a device may offer at once, and of the times it may give.
const (
	MaxBatch = 200

	farMs = 86_400_000 // beyond a day from now a clock was wrong
)

// Refusal tells a device which of its events were not taken and why. The device
// keeps them.
type Refusal struct {
	IDs    []string
	Code   string // a stable word for programs
	Reason string // one sentence for people
}

// merged has each code once, so that a device whose events are all refused is
// told so in a few messages. A code's first reason stands for all of them.
func merged(refused []Refusal) []Refusal {
	if len(refused) < 2 {
		return refused
	}
	var list []Refusal
	at := map[string]int{}
	for _, r := range refused {
		i, known := at[r.Code]
		if !known {
			at[r.Code] = len(list)
			list = append(list, r)
			continue
		}
		list[i].IDs = append(list[i].IDs, r.IDs...)
	}
	return list
}

// Result is what became of the events of one offer.
type Result struct {
	Stored  []string // ids that are on disk now, or were already
	Refused []Refusal
	// Failed are ids that could not be written, for the reason in Err. They were
	// passed on all the same, since a hold must go on while a disk is full; the
	// device keeps them and offers them again.
	Failed []string
	Err    error
}

// Decode reads the events of an offer. Those that are malformed are refused.
func Decode(raws []json.RawMessage) ([]protocol.Event, []Refusal) {
	events := make([]protocol.Event, 0, len(raws))
	var refused []Refusal
	for i, raw := range raws {
		e, err := protocol.Decode(raw)
		if err == nil {
			err = checkID(e.ID)
		}
		if err != nil {
			refused = append(refused, refusal(looseID(raw), fmt.Sprintf("event %d: ", i+1), err))
			continue
		}
		events = append(events, e)
	}
	return events, refused
}

// checkID demands the one spelling of an event id, so that a counter cannot be
// used twice.
func checkID(id string) error {
	if !access.IsEventID(id) {
		return &protocol.Problem{Code: "bad-id", Reason: fmt.Sprintf("%q is not a device id, '-' and a counter of six digits", id)}
	}
	return nil
}

// looseID finds the id of an event that could not be read, so that its sender
// knows which one is meant; "" where there is none.
func looseID(raw json.RawMessage) string {
	var fields map[string]json.RawMessage
	var id string
	if json.Unmarshal(raw, &fields) != nil || json.Unmarshal(fields["id"], &id) != nil || len(id) > protocol.MaxIDBytes {
		return ""
	}
	return id
}

func refusal(id, where string, err error) Refusal {
	r := Refusal{IDs: []string{}, Code: "bad-event", Reason: where + err.Error()}
	if problem, ok := err.(*protocol.Problem); ok {
		r.Code = problem.Code
	}
	if id != "" {
		r.IDs = append(r.IDs, id)
	}
	return r
}

// codeFuture is how a device is told that an event has to wait for its time.
const codeFuture = "future"

// checkTime refuses events whose time cannot be right.
func checkTime(e *protocol.Event, nowMs int64) *protocol.Problem {
	ahead := e.At - nowMs
	switch {
	case ahead > farMs || ahead < -farMs:
		return &protocol.Problem{Code: "too-far", Reason: "the event lies more than a day from the host's time"}
	case ahead > store.MostAheadMs(e.Kind):
		return &protocol.Problem{Code: codeFuture, Reason: fmt.Sprintf("the event lies %d ms ahead of the host's time", ahead)}
	}
	return nil
}
