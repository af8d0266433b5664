package demo

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/coder/websocket"

	"buddyclock/protocol"
)

// link is one connection of a phone. One goroutine writes, another reads.
type link struct {
	*Client
	ws   *websocket.Conn
	read chan error // the reader's end

	// Guarded by the client's mutex.
	welcomed bool
	sent     map[string]bool      // of the outbox
	notNow   map[string]time.Time // what the server's disk refused: not before
	asked    map[float64]bool     // t1 of exchanges under way
	left     int                  // exchanges of the burst still to ask for
	history  []protocol.Event     // of which more is to come
}

// incoming is a message of the server, as far as a phone of ours cares.
type incoming struct {
	Type    string            `json:"type"`
	Events  []json.RawMessage `json:"events"`
	More    bool              `json:"more"`
	IDs     []string          `json:"ids"`
	Code    string            `json:"code"`
	T1      float64           `json:"t1"`
	T2      float64           `json:"t2"`
	T3      float64           `json:"t3"`
	ClockID string            `json:"clock_id"`
}

// serve reads in a goroutine of its own and writes in this one, until either ends.
func (l *link) serve(ctx context.Context) error {
	go func() { l.read <- l.readAll(ctx) }()
	beat := l.clk.After(0)
	for {
		due := false
		select {
		case err := <-l.read:
			return err
		case <-ctx.Done():
			l.ws.CloseNow()
			return errors.Join(ctx.Err(), <-l.read)
		case <-l.wake:
		case <-beat:
			due = true
			beat = l.clk.After(beatEvery)
		}
		if err := l.write(ctx, due); err != nil {
			l.ws.CloseNow()
			return errors.Join(err, <-l.read)
		}
	}
}

// write sends what is due: events first, then the beat's exchange and heartbeat.
func (l *link) write(ctx context.Context, beat bool) error {
	for {
		pair, events := l.unsent()
		if len(events) == 0 {
			break
		}
		if err := l.send(ctx, map[string]any{"type": "events", "pair": pair, "events": events}); err != nil {
			return err
		}
	}
	exchange, state := l.beat(beat)
	if exchange {
		l.mu.Lock()
		t1 := l.deviceMs(l.clk.Now())
		l.asked[t1] = true
		l.mu.Unlock()
		if err := l.send(ctx, map[string]any{"type": "time", "t1": t1}); err != nil {
			return err
		}
	}
	if state == nil {
		return nil
	}
	return l.send(ctx, state)
}

// unsent takes what is to be sent now from the outbox, of one pair.
func (l *link) unsent() (pair string, events []json.RawMessage) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.welcomed {
		return "", nil
	}
	now := l.clk.Now()
	for _, e := range l.outbox {
		if len(events) > 0 && e.pair != pair || l.sent[e.ID] || now.Before(l.notNow[e.ID]) {
			continue
		}
		pair, l.sent[e.ID] = e.pair, true
		if events = append(events, e.Encode()); len(events) == maxBatch {
			break
		}
	}
	return pair, events
}

// beat tells whether an exchange is due, and what the phone says of itself if that is.
func (l *link) beat(due bool) (exchange bool, state map[string]any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.welcomed {
		return false, nil
	}
	if l.left > 0 {
		l.left--
		exchange = true
	}
	if !due {
		return exchange, nil
	}
	var phase, hold any
	if l.hold != "" && l.pair != "" {
		hold, phase = l.hold, l.holdOf(l.hold).StatusAt(l.now()).Phase
	}
	// Its people hear it, and nobody else does.
	return true, map[string]any{
		"type": "presence", "visible": true, "sound": "off", "wake": true, "battery": 80, "doubt_ms": l.doubtMs(),
		"hold": hold, "phase": phase, "rungs": false, "simulated": true,
	}
}

func (l *link) send(ctx context.Context, message any) error {
	text, err := json.Marshal(message)
	if err != nil {
		return err
	}
	ctx, cancel := l.clk.WithTimeout(ctx, writeWithin)
	defer cancel()
	return l.ws.Write(ctx, websocket.MessageText, text)
}

func (l *link) readAll(ctx context.Context) error {
	for {
		_, frame, err := l.ws.Read(ctx)
		if err != nil {
			return err
		}
		t4 := l.clk.Now()
		var m incoming
		if err := json.Unmarshal(frame, &m); err != nil {
			return err
		}
		if m.Type == "state" && l.onState != nil {
			var state PairState
			if err := json.Unmarshal(frame, &state); err != nil {
				return err
			}
			l.onState(state)
		}
		if err := l.hear(m, t4); err != nil {
			return err
		}
	}
}

func (l *link) hear(m incoming, t4 time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch m.Type {
	case "welcome":
		l.welcomed, l.left = true, burst
		l.hearEvents(m)
	case "events":
		l.hearEvents(m)
	case "stored":
		l.drop(m.IDs)
	case "refused":
		l.refused = append(l.refused, m.Code)
		l.drop(m.IDs)
	case "time":
		l.hearTime(m, t4)
	case "error":
		switch m.Code {
		case "bad-token", "not-of-pair", "old-version":
			return errShutOut
		case "not-stored":
			for _, id := range m.IDs {
				delete(l.sent, id)
				l.notNow[id] = t4.Add(againAfter)
			}
		}
	}
	l.nudge()
	return nil
}

// hearEvents takes a history only once it is whole: half of one can look like an alarm.
func (l *link) hearEvents(m incoming) {
	for _, raw := range m.Events {
		if e, err := protocol.Decode(raw); err == nil {
			l.history = append(l.history, e)
		}
	}
	if m.More {
		return
	}
	for _, e := range l.history {
		l.take(e)
	}
	l.history = nil
}

func (l *link) drop(ids []string) {
	stored := make(map[string]bool, len(ids))
	for _, id := range ids {
		stored[id] = true
		delete(l.sent, id)
		delete(l.notNow, id)
	}
	kept := l.outbox[:0]
	for _, e := range l.outbox {
		if !stored[e.ID] {
			kept = append(kept, e)
		}
	}
	l.outbox = kept
}

func (l *link) hearTime(m incoming, t4 time.Time) {
	if !l.asked[m.T1] {
		return
	}
	delete(l.asked, m.T1)
	l.estimate.Add(protocol.Exchange{T1: m.T1, T2: m.T2, T3: m.T3, T4: l.deviceMs(t4)}, m.ClockID)
	if !l.isSynced && l.estimate.At(l.deviceMs(t4)).Synced {
		l.isSynced = true
		close(l.synced)
	}
}
