package simulation

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"buddyclock/server/room"
	"buddyclock/server/store"
)

// conn is the host's end of a phone's socket.
type conn struct {
	h       *host
	line    *line
	member  room.Member
	joined  bool
	board   bool
	greeted bool     // the welcome is out; until then frames wait
	queued  [][]byte // for after the welcome
	silent  *happening
}

// fromPhone is any message or request of a phone.
type fromPhone struct {
	Type   string                 `json:"type"`
	Token  string                 `json:"token"`
	Device string                 `json:"device"`
	Board  bool                   `json:"board"`
	Have   map[string]int64       `json:"have"`
	Beyond map[string][]store.Run `json:"beyond"`
	Events []json.RawMessage      `json:"events"`
	T1     json.RawMessage        `json:"t1"`
}

func (m *fromPhone) counts() store.Counts { return store.Counts{Have: m.Have, Beyond: m.Beyond} }

// hear takes one frame of a phone.
func (c *conn) hear(text string) {
	h := c.h
	us, clockID := h.sharedNow()
	c.listen()
	var m fromPhone
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		h.w.fail("the wire", "a phone sent %q", text)
	}
	switch {
	case m.Type == "hello" && !c.joined && m.Board:
		c.welcomeBoard(m)
	case m.Type == "hello" && !c.joined:
		c.welcome(m)
	case !c.joined:
		// A frame that came again from before the hello.
	case m.Type == "time":
		c.answerTime(m.T1, us, clockID)
	case m.Type == "presence":
		var state map[string]json.RawMessage
		_ = json.Unmarshal([]byte(text), &state)
		delete(state, "type")
		spelt, _ := json.Marshal(state)
		h.core.Heartbeat(c.member, spelt)
	case m.Type == "events":
		events, refused := room.Decode(m.Events)
		h.core.Offer(c, c.member.Device, events, refused, c.report)
	}
}

// listen ends a connection that says nothing from now on.
func (c *conn) listen() {
	if c.silent != nil {
		c.silent.off = true
	}
	c.silent = c.h.here(c.h.life, idleFor, "", c.end)
}

// end takes the phone out of the pair.
func (c *conn) end() {
	if c.silent != nil {
		c.silent.off = true
	}
	for i, other := range c.h.conns {
		if other == c {
			c.h.conns = append(c.h.conns[:i:i], c.h.conns[i+1:]...)
			if c.joined {
				c.h.core.Leave(c)
			}
			c.line.breakOff(false)
			return
		}
	}
}

// welcome joins first and reads what the phone lacks after that, in steps
// between which the pair goes on.
func (c *conn) welcome(m fromPhone) {
	h := c.h
	c.member = h.roles[m.Device]
	c.joined = true
	snap := h.core.Join(c, c.member)
	h.here(h.life, h.between(1, 3*ms), "", func() {
		missing := append(h.disk.missing(m.counts()), h.core.Passed(m.counts())...)
		h.here(h.life, h.between(1, 3*ms), "", func() {
			ours, err := h.core.Have(context.Background())
			if err != nil {
				h.w.fail("the host reads", "%v", err)
			}
			n := room.FrameShare(missing)
			var first bytes.Buffer
			room.WriteList(&first, missing[:n])
			us, clockID := h.sharedNow()
			c.line.toPhone("welcome", spell(continued(n < len(missing), map[string]any{
				"type": "welcome", "v": 1, "pair": h.pair.ID, "number": h.pair.Number, "session": h.pair.Session,
				"device": c.member.Device, "role": c.member.Role, "name": c.member.Name, "have": ours.Have, "beyond": ours.Beyond, "present": snap.Present,
				"clock_id": clockID, "server_ms": us / 1000, "events": json.RawMessage(first.Bytes()),
			})))
			for _, frame := range room.EventFrames(h.pair.ID, missing[n:]) {
				c.line.toPhone("events", string(frame))
			}
			c.open()
		})
	})
}

// open sends what has waited for the welcome.
func (c *conn) open() {
	c.greeted = true
	for _, frame := range c.queued {
		c.line.toPhone(kindOf(frame), string(frame))
	}
	c.queued = nil
}

// welcomeBoard is server/board.go's: the welcome, the pair as it is, and the word that these were all.
func (c *conn) welcomeBoard(m fromPhone) {
	h := c.h
	c.member, c.joined, c.board = h.roles[m.Device], true, true
	us, clockID := h.sharedNow()
	c.line.toPhone("welcome", spell(map[string]any{
		"type": "welcome", "v": 1, "board": true, "session": h.pair.Session, "device": c.member.Device, "role": c.member.Role, "name": c.member.Name,
		"clock_id": clockID, "server_ms": us / 1000,
	}))
	c.open()
	h.here(h.life, h.between(1, 3*ms), "", func() {
		if !c.line.hostOpen {
			return
		}
		h.core.Watch(c, c.member)
		c.Send([]byte(`{"type":"pairs-done"}`))
	})
}

// Send implements room.Peer.
func (c *conn) Send(frame []byte) {
	if !c.greeted {
		c.queued = append(c.queued, frame)
		return
	}
	c.line.toPhone(kindOf(frame), string(frame))
}

// Part implements room.Peer.
func (c *conn) Part(reason string) {
	c.Send([]byte(spell(map[string]any{"type": "bye", "reason": reason})))
	c.h.here(c.h.life, 1, "", c.end)
}

func kindOf(frame []byte) string {
	var m struct {
		Type string `json:"type"`
	}
	_ = json.Unmarshal(frame, &m)
	return m.Type
}

func (c *conn) answerTime(t1 json.RawMessage, t2Us int64, id string) {
	h := c.h
	h.here(h.life, h.between(1, ms), "", func() {
		t3Us, now := h.sharedNow()
		if now == id {
			c.Send(fmt.Appendf(nil, `{"type":"time","t1":%s,"t2":%d.%03d,"t3":%d.%03d,"clock_id":%q}`, t1, t2Us/1000, t2Us%1000, t3Us/1000, t3Us%1000, id))
		}
	})
}

// report tells the device what became of its events.
func (c *conn) report(res room.Result) {
	c.h.w.watch.acknowledged(res.Stored)
	say := func(m map[string]any) {
		if c.board {
			m["pair"] = c.h.pair.ID
		}
		c.Send([]byte(spell(m)))
	}
	if len(res.Stored) > 0 {
		say(map[string]any{"type": "stored", "ids": res.Stored})
	}
	for _, r := range res.Refused {
		say(map[string]any{"type": "refused", "ids": r.IDs, "code": r.Code, "reason": r.Reason})
	}
	if len(res.Failed) > 0 {
		say(map[string]any{"type": "error", "code": "not-stored", "reason": notStored, "ids": res.Failed})
	}
}

// notStored is what a phone is told of events that the disk refused.
const notStored = "the disk fails"

// post answers a plain request for /api/events.
func (h *host) post(body string, answer func(text string)) {
	var m fromPhone
	if err := json.Unmarshal([]byte(body), &m); err != nil {
		h.w.fail("the wire", "a phone posted %q", body)
	}
	events, refused := room.Decode(m.Events)
	h.core.Offer(nil, strings.TrimPrefix(m.Token, "token of "), events, refused, func(res room.Result) {
		h.w.watch.acknowledged(res.Stored)
		missing := append(h.disk.missing(m.counts()), h.core.Passed(m.counts())...)
		n := room.FrameShare(missing)
		var list bytes.Buffer
		room.WriteList(&list, missing[:n])
		ours, _ := h.core.Have(context.Background())
		all := []any{}
		for _, r := range res.Refused {
			all = append(all, map[string]any{"ids": r.IDs, "code": r.Code, "reason": r.Reason})
		}
		if len(res.Failed) > 0 {
			all = append(all, map[string]any{"ids": res.Failed, "code": "not-stored", "reason": notStored})
		}
		answer(spell(continued(n < len(missing), map[string]any{
			"stored": append([]string{}, res.Stored...), "refused": all, "events": json.RawMessage(list.Bytes()), "have": ours.Have, "beyond": ours.Beyond,
		})))
	})
}

// continued says so where more of a message follows.
func continued(more bool, m map[string]any) map[string]any {
	if more {
		m["more"] = true
	}
	return m
}

func spell(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(text)
}
