package simulation

import (
	"fmt"

	"buddyclock/protocol"
)

// person is who holds a phone. They see only what their page shows.
type person struct {
	actor
	manner  string // attentive, slow, absent or contrary; it changes now and then
	seen    string // the rung they have not reacted to yet
	pressAt int64
	holds   int
}

var manners = []string{"attentive", "attentive", "attentive", "slow", "absent", "contrary"}

// people gives a phone somebody who looks at it several times in a second or two.
func (w *world) people(p *phone) {
	p.person = person{actor: w.newActor(), manner: "attentive"}
	p.person.live(p)
}

func (h *person) live(p *phone) {
	h.after(h.between(200*ms, 1200*ms), "", func() {
		if h.chance(0.01) {
			h.manner = manners[h.IntN(len(manners))]
		}
		if p.on && !p.asleep && !p.frozen && !p.w.weather.calm {
			h.act(p)
		}
		h.live(p)
	})
}

// press has the page record something.
func (p *phone) press(kind string, data any) {
	text := ""
	if data != nil {
		text = spell(data)
	}
	p.w.note("%s presses %s %s", p.name, kind, text)
	p.call("press", kind, text, 0)
}

func (h *person) act(p *phone) {
	v := p.look()
	if len(v.TakeBack) > 0 && h.chance(0.01) {
		p.w.note("%s takes back %s", p.name, v.TakeBack[0])
		p.call("takeBack", v.TakeBack[0])
		return
	}
	if h.swaps(p, v) {
		return
	}
	switch v.Role {
	case protocol.RoleBuddy:
		h.buddy(p, v)
	case protocol.RoleDiver:
		h.diver(p, v)
	case protocol.RoleInstructor:
		h.instructor(p, v)
	}
}

// maySwap tells whether a phone can get another role. The first one stays a buddy's, and one without the host's time gets
// none: its next presses could lie before its role.
func (h *host) maySwap(p *phone) bool {
	return h.up && !h.asleep && !p.cut && p != p.w.phones[0] && !p.isBoard() && p.doubtMs >= 0 && p.doubtMs < 1000
}

// swaps has a phone take another role between holds. One that still owes what it recorded waits: by a clock that was
// ahead that could lie behind the end of the role that it has.
func (h *person) swaps(p *phone, v *view) bool {
	if v.Phase != "none" && v.Phase != "over" || v.Unsent > 0 || !h.chance(0.12) || !p.w.host.maySwap(p) {
		return false
	}
	roles := []string{protocol.RoleBuddy, protocol.RoleDiver, protocol.RoleSiren}
	role := roles[h.IntN(len(roles))]
	if role == p.role {
		return false
	}
	p.w.note("%s is a %s's from now on", p.name, role)
	p.w.watch.disturbed()
	p.joinedAt = p.w.now
	p.w.host.rejoin(p, role)
	p.here(h.between(10*ms, 80*ms), "", func() { p.call("become", role) })
	return true
}

func (h *person) buddy(p *phone, v *view) {
	if h.manner == "absent" && h.chance(0.98) {
		return
	}
	if h.manner == "contrary" && h.chance(0.15) && v.Phase != "none" {
		h.contrary(p)
		return
	}
	first := p == p.w.phones[0]
	shared := p.lastNow
	switch v.Phase {
	case "none", "over":
		switch {
		case !first && h.chance(0.97):
		case v.Phase == "over" && !v.Verdict:
			p.press(protocol.KindVerdict, map[string]any{"what": "clean"})
		case h.chance(0.4):
			h.plan(p)
		}
	case "planned":
		if first && h.chance(0.4) {
			p.press(protocol.KindBreatheUp, map[string]any{"zero_at": shared + h.between(1000, 6000)})
		}
	case "breathe-up":
		// Some leave the start to the countdown.
		if v.ZeroAt != nil && shared >= *v.ZeroAt && h.chance(0.2) {
			p.press(protocol.KindStart, nil)
		}
	case "hold":
		h.inHold(p, v)
	case "recovery", "watch":
		h.after(h.lognormal(900*ms, 0.4), "", func() { h.afterwards(p, v.Phase) })
	case "incident":
		switch {
		case h.chance(0.1):
			p.press(protocol.KindWithThem, nil)
		case h.chance(0.08):
			p.press(protocol.KindRecovered, nil)
		}
	}
}

// plan agrees on a hold of about a minute. Nobody dives twice in an outing, so
// that an incident blocks nobody.
func (h *person) plan(p *phone) {
	h.holds++
	planned := h.between(20, 110)
	plan := map[string]any{
		"diver": fmt.Sprintf("diver %s %d", p.name, h.holds), "buddy": fmt.Sprintf("buddy %s %d", p.name, h.holds),
		"planned_s": planned, "cadence": []string{"standard", "close", "announced"}[h.IntN(3)],
		"setting": []string{"dry", "pool"}[h.IntN(2)], "watch_s": h.between(30, 60),
	}
	if h.chance(0.5) {
		plan["longest_s"] = planned + h.between(-20, 20)
	}
	p.w.note("%s plans %s", p.name, spell(plan))
	p.call("plan", spell(plan))
}

// inHold reacts to what is asked, after a while.
func (h *person) inHold(p *phone, v *view) {
	if v.StartAt != nil && p.lastNow-*v.StartAt > v.Planned && h.chance(0.3) {
		p.press(protocol.KindSurfaced, nil)
		return
	}
	if v.Standing == nil {
		h.seen = ""
		switch {
		case h.chance(0.02):
			p.press(protocol.KindContraction, map[string]any{"site": []string{"belly", "chest", "throat"}[h.IntN(3)]})
		case h.chance(0.004):
			p.press(protocol.KindSign, map[string]any{"what": []string{"tense", "blue", "shaking", "air", "limp"}[h.IntN(5)]})
		case h.chance(0.01):
			p.press(protocol.KindAsked, nil)
		}
		return
	}
	key := v.Standing.Rung + v.Standing.Asks
	if h.seen == "" {
		wait := h.lognormal(2200*ms, 0.3)
		if h.manner == "slow" {
			wait = h.lognormal(6*second, 0.4)
		}
		h.pressAt = p.w.now + wait
	}
	h.seen = key
	if p.w.now < h.pressAt {
		return
	}
	h.seen = ""
	switch {
	case v.Standing.Asks == "up":
		p.press(protocol.KindSurfaced, nil)
	case v.Standing.Rung == "alarm" && h.chance(0.15):
		p.press(protocol.KindIncident, map[string]any{"what": "lmc"})
	case v.Standing.Rung == "alarm" && h.chance(0.15):
		p.press(protocol.KindSurfaced, nil)
	case v.Standing.Asks == "look":
		p.press(protocol.KindLook, nil)
	case h.chance(0.03):
		p.press(protocol.KindNoAnswer, nil)
	default:
		p.press(protocol.KindAsked, nil)
		took := h.between(400, 3500)
		h.after(took*ms, "", func() {
			if p.on && !p.asleep && !p.frozen {
				p.press(protocol.KindAnswered, map[string]any{"took_ms": took})
			}
		})
	}
}

// afterwards goes through recovery and watch.
func (h *person) afterwards(p *phone, phase string) {
	if !p.on || p.asleep || p.frozen || p.w.weather.calm || p.look().Phase != phase {
		return
	}
	v := p.look()
	switch {
	case v.AwakeDue && h.chance(0.7):
		p.press(protocol.KindAwake, nil)
	case phase == "recovery" && h.chance(0.15):
		p.press(protocol.KindOK, nil)
	case phase == "watch" && v.Standing != nil && h.chance(0.5):
		p.press(protocol.KindLook, nil)
	case phase == "watch" && v.Standing == nil && !v.Locked && h.chance(0.5):
		p.press(protocol.KindWatchEnded, nil)
	}
}

// diver touches their own phone, now and then at the wrong time.
func (h *person) diver(p *phone, v *view) {
	if v.Phase != "hold" {
		return
	}
	switch {
	case v.Standing != nil && v.Standing.Asks == "tap" && h.chance(0.1), h.chance(0.01):
		p.press(protocol.KindAnswered, nil)
	case h.chance(0.01):
		p.press(protocol.KindContraction, map[string]any{"signalled": true})
	case h.chance(0.001):
		p.press(protocol.KindIncident, map[string]any{"what": "unknown"})
	}
}

// instructor looks at the board, and seldom has something to say.
func (h *person) instructor(p *phone, v *view) {
	switch {
	case h.chance(0.01):
		p.press(protocol.KindNote, map[string]any{"text": "seen from the board"})
	case v.Phase != "hold" && v.Phase != "incident":
	case v.Standing != nil && v.Standing.Rung == "alarm" && h.chance(0.2):
		p.press(protocol.KindGoing, map[string]any{"name": p.name})
	case h.chance(0.01):
		p.press(protocol.KindEndHold, nil)
	case h.chance(0.005):
		p.press(protocol.KindSign, map[string]any{"what": "limp"})
	}
}

// contrary presses anything.
func (h *person) contrary(p *phone) {
	kinds := []string{
		protocol.KindLook, protocol.KindAsked, protocol.KindAnswered, protocol.KindNoAnswer, protocol.KindContraction, protocol.KindReading,
		protocol.KindEndHold, protocol.KindSurfaced, protocol.KindAwake, protocol.KindOK, protocol.KindWithThem, protocol.KindRecovered,
		protocol.KindWatchEnded, protocol.KindStart, protocol.KindNote, "of-a-newer-page",
	}
	p.press(kinds[h.IntN(len(kinds))], nil)
}
