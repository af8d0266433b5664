package demo

import (
	"context"
	"sync"

	"buddyclock/protocol"
)

// goesAfterMs is how long an alarm lasts before the instructor sets off: long
// enough for a buddy who is there to answer it, and for the high signal that
// begins 5 s after it to be heard.
const goesAfterMs = 8_000

// instructor watches a board and goes where an alarm lasts.
type instructor struct {
	*Client

	mu     sync.Mutex
	alarms map[string]PairState // that stand, by pair
	went   map[string]int64     // for which alarm, by pair
}

func newInstructor(c *Client) *instructor {
	in := &instructor{Client: c, alarms: map[string]PairState{}, went: map[string]int64{}}
	c.onState = in.hear
	return in
}

// hear is told of a pair by the server.
func (in *instructor) hear(s PairState) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if s.Standing != nil && s.Standing.Rung == protocol.AlarmRung.String() {
		in.alarms[s.Pair] = s
	} else {
		delete(in.alarms, s.Pair)
	}
}

// setPlace fills in the place card of all pairs.
func (in *instructor) setPlace(ctx context.Context) error {
	return in.post(ctx, "/api/outing", map[string]any{"token": in.token, "place": map[string]any{
		"number": "112", "address": "a pool that is simulated", "oxygen": "on the wall by the door", "reach": instructorName, "simulated": true,
	}}, nil)
}

// look goes to each pair whose alarm has lasted long enough.
func (in *instructor) look(now int64) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for pair, s := range in.alarms {
		if now-s.Standing.At >= goesAfterMs && in.went[pair] != s.Standing.At {
			in.went[pair] = s.Standing.At
			in.recordIn(pair, s.Hold, protocol.KindGoing, now, map[string]any{"name": instructorName})
		}
	}
}
