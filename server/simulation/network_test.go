package simulation

import (
	"fmt"
	"slices"
)

// network carries frames between phones and host. A socket keeps its frames in
// order and whole until it breaks, so that loss is seen as delay, as silence, or
// as a break after which nobody knows what arrived. Beyond what a socket does,
// some frames come twice or out of turn, and some that are told again anyway
// come not at all: the protocol promises to bear that too.
type network struct {
	actor
	bad   bool // half of what is sent is lost at first
	lines int
}

// again are the kinds of frames that may come twice or out of turn.
var again = map[string]bool{"events": true, "stored": true, "time": true, "presence": true}

// line is one socket's way through the network.
type line struct {
	n         *network
	id        int
	phone     *phone
	page      int // the phone's life in which it was opened
	conn      *conn
	phoneOpen bool
	hostOpen  bool
	last      [2]int64 // when the newest frame of each direction arrives
	stuck     []stuckFrame
	chance    actor
	tap       func(text string) // takes the host's frames in place of a phone
}

type stuckFrame struct {
	dir     int
	deliver func()
}

const (
	up = iota
	down
)

// dial opens a socket for a phone.
func (n *network) dial(p *phone) *line {
	n.lines++
	l := &line{n: n, id: n.lines, phone: p, page: p.life, phoneOpen: true, chance: p.w.newActor()}
	p.lines = append(slices.DeleteFunc(p.lines, func(old *line) bool { return !old.phoneOpen && !old.hostOpen }), l)
	l.knock(l.chance.between(5*ms, 40*ms), second)
	return l
}

// knock opens the socket, and knocks again while nobody answers, as TCP does.
func (l *line) knock(in, again int64) {
	p, h := l.phone, l.n.w.host
	l.chance.after(in, fmt.Sprintf("%s dials (line %d)", p.name, l.id), func() {
		switch {
		case !l.phoneOpen:
		case p.cut || h.asleep:
			l.knock(again, 2*again)
		case !h.up || p.noSockets:
			l.closePhone()
		default:
			c := &conn{h: h, line: l}
			l.conn, l.hostOpen = c, true
			h.conns = append(h.conns, c)
			c.listen()
			l.carry(down, "open", func() { l.toPage("open", "") })
		}
	})
}

// carry brings a frame over, sooner or later.
func (l *line) carry(dir int, kind string, deliver func()) {
	r := &l.chance
	lossy := again[kind]
	if l.n.bad && lossy && (kind == "time" || kind == "presence" || (kind == "events") == (dir == up)) && r.chance(0.05) {
		return
	}
	took := r.lognormal(6*ms, 0.7)
	if l.n.bad {
		for wait := 200 * ms; r.chance(0.5) && wait < 3*second; wait *= 2 {
			took += wait
		}
	}
	at := l.n.w.now + took
	if !lossy || !r.chance(0.02) {
		at = max(at, l.last[dir]+1)
		l.last[dir] = at
	}
	arrive := func() {
		if l.phone.cut || (dir == up && l.n.w.host.asleep) {
			l.stuck = append(l.stuck, stuckFrame{dir, deliver})
			return
		}
		deliver()
	}
	r.after(at-l.n.w.now, "", arrive)
	if lossy && r.chance(0.02) {
		r.after(at-l.n.w.now+r.between(0, second), "", arrive)
	}
}

// toHost sends a frame of the phone.
func (l *line) toHost(text string) {
	if !l.phoneOpen {
		return
	}
	kind := kindOf([]byte(text))
	h := l.n.w.host
	l.carry(up, kind, func() {
		if !h.up {
			return
		}
		if !l.hostOpen {
			l.carry(down, "close", l.closePhone) // a machine that knows of no such socket says so
			return
		}
		if h.asleep {
			h.here(h.life, 20*ms, "", func() { l.arrive(kind, text) })
			return
		}
		l.arrive(kind, text)
	})
}

func (l *line) arrive(kind, text string) {
	if !l.hostOpen {
		return
	}
	if kind == "events" {
		l.n.w.note("host hears %s: %s", l.phone.name, short(text))
	}
	l.conn.hear(text)
}

// toPhone sends a frame of the host.
func (l *line) toPhone(kind, text string) {
	if !l.hostOpen {
		return
	}
	if l.tap != nil {
		l.tap(text)
		return
	}
	l.carry(down, kind, func() {
		if kind == "events" || kind == "stored" || kind == "welcome" {
			l.n.w.note("%s hears: %s", l.phone.name, short(text))
		}
		l.toPage("message", text)
	})
}

func (l *line) toPage(what, text string) {
	if l.phoneOpen {
		l.phone.hear(l, what, text)
	}
}

func (l *line) closePhone() {
	if !l.phoneOpen {
		return
	}
	l.phone.hear(l, "close", "")
	l.phoneOpen = false
}

// hangUp is the phone closing its socket; the host learns of it if the way is open.
func (l *line) hangUp() {
	l.phoneOpen = false
	l.carry(up, "close", func() {
		if l.hostOpen {
			l.conn.end()
		}
	})
}

// breakOff is the host's end going away, at once and perhaps unheard where it crashed.
func (l *line) breakOff(crashed bool) {
	l.hostOpen = false
	if crashed && l.chance.chance(0.5) {
		return // nothing is left that would answer
	}
	l.carry(down, "close", l.closePhone)
}

// heal brings over what was stuck, or breaks the sockets that were silent too long.
func (n *network) heal(p *phone) {
	p.cut = false
	for _, l := range p.lines {
		if len(l.stuck) == 0 {
			continue
		}
		stuck := l.stuck
		l.stuck = nil
		if n.chance(0.4) {
			if l.hostOpen {
				l.conn.end()
			}
			l.chance.after(l.chance.between(ms, 300*ms), "", l.closePhone)
			continue
		}
		wait := l.chance.between(10*ms, 800*ms)
		for i, f := range stuck {
			l.chance.after(wait+int64(i), "", f.deliver)
		}
		for dir := range l.last {
			l.last[dir] = max(l.last[dir], n.w.now+wait+int64(len(stuck)))
		}
	}
}

// post carries a plain request, which may come twice, and whose answer may be lost.
func (n *network) post(p *phone, body string, answer func(status int, text string)) {
	h := n.w.host
	never := func() { n.after(n.between(4*second, 8*second), "", func() { answer(0, "") }) }
	if p.cut {
		never()
		return
	}
	answered := false
	deliver := func() {
		if !h.up || p.cut || h.asleep {
			return
		}
		n.w.note("host gets a request of %s: %s", p.name, short(body))
		h.post(body, func(text string) {
			n.after(n.lognormal(8*ms, 0.7), "", func() {
				if !answered && !p.cut {
					answered = true
					answer(200, text)
				}
			})
		})
	}
	took := n.lognormal(10*ms, 0.7)
	n.after(took, "", deliver)
	if n.chance(0.05) {
		n.after(took+n.between(0, second), "", deliver)
	}
	n.after(8*second, "", func() {
		if !answered {
			answered = true
			answer(0, "")
		}
	})
}

// short keeps a frame readable in the trace.
func short(text string) string {
	if len(text) > 240 {
		return text[:240] + "…"
	}
	return text
}
