package simulation

import (
	"fmt"
	"slices"

	"buddyclock/protocol"
)

// weather is what goes wrong, and gets well again: now and then all of it at
// once, so that it can be seen whether everybody agrees.
type weather struct {
	actor
	calm  bool  // nothing goes wrong and nobody presses
	alone bool  // phones fail one after another, and nothing else
	last  bool  // it stays calm for good
	every int64 // how long it takes until the next thing goes wrong, about
}

func (s *weather) begin() {
	s.turn()
	s.next()
	s.after(s.between(60*second, 200*second), "", s.clear)
	s.after(s.between(20*second, 60*second), "", s.desert)
}

func (s *weather) next() {
	s.after(s.lognormal(s.every, 0.9), "", func() {
		if !s.calm {
			s.strike()
		}
		s.next()
	})
}

// turn makes it fair for a while, or stormy.
func (s *weather) turn() {
	s.every = []int64{1500 * ms, 4 * second, 12 * second}[s.IntN(3)]
}

// forA undoes something after a while.
func (s *weather) forA(while int64, what string, undo func()) {
	s.after(while, what, undo)
}

// strike has one thing go wrong.
func (s *weather) strike() {
	w := s.w
	p := w.phones[s.IntN(len(w.phones))]
	if w.now-p.joinedAt < 20*second {
		return // it has still to learn of its role, and to write it down
	}
	while := s.lognormal(6*second, 0.9)
	note := func(what string) { w.note("%s for %.1f s", what, float64(while)/float64(second)) }
	switch s.IntN(20) {
	case 0, 1, 2:
		note(p.name + " is cut off")
		p.cutOff()
		s.forA(while, p.name+" is reached again", p.reach)
	case 3:
		if p.on {
			w.note("%s reloads", p.name)
			p.gone(false)
			s.forA(s.between(300*ms, 2*second), "", p.bootIfOff)
		}
	case 4:
		if p.on {
			note(p.name + "'s page crashes")
			p.gone(true)
			s.forA(while, "", p.bootIfOff)
		}
	case 5, 6:
		// A clock that somebody has just set back would hide that the phone was off.
		if p.on && w.now-p.steppedAt > 10*second {
			note(p.name + " dies")
			p.gone(true)
			p.disk.die()
			p.upAt = w.now + 20*second
			s.forA(while, "", p.bootIfOff)
			if s.chance(0.4) {
				p.cutOff() // it comes back where the network does not reach
				s.forA(while+s.between(15*second, 30*second), p.name+" is reached again", p.reach)
			}
		}
	case 7, 8:
		if p.on && !p.asleep && !p.frozen {
			note(p.name + " sleeps")
			p.sleep()
			life := p.life
			s.forA(while, "", func() {
				if p.life == life {
					p.wakeIfAsleep()
				}
			})
		}
	case 9:
		if p.on && !p.asleep && !p.frozen {
			note(p.name + "'s page stands still")
			p.freeze()
			life := p.life
			s.forA(while, "", func() {
				if p.life == life {
					p.thawIfFrozen()
				}
			})
		}
	case 10:
		note(p.name + " is hidden")
		p.show(false)
		s.forA(while, p.name+" is seen again", func() { p.show(true) })
	case 11:
		note(p.name + " has no sound")
		p.silence(true)
		s.forA(while, p.name+" has sound again", func() { p.silence(false) })
	case 12:
		if !p.on {
			return
		}
		step := s.step()
		w.note("%s's wall clock steps by %d ms", p.name, step/ms)
		p.wallOff += step
		p.steppedAt = w.now
		w.watch.disturbed()
	case 13:
		note(p.name + "'s disk is slow")
		p.disk.slow = true
		s.forA(while, "", func() { p.disk.slow = false })
	case 14:
		note(p.name + " gets no sockets through")
		p.sockets(false)
		s.forA(while, "", func() { p.sockets(true) })
	case 15, 16:
		if w.host.up {
			note("the host crashes")
			w.watch.disturbed()
			w.host.crash()
			s.forA(while, "the host starts", w.host.startIfDown)
		}
	case 17:
		if w.host.up && !w.host.asleep {
			note("the host sleeps")
			w.watch.disturbed()
			w.host.sleep()
			s.forA(while, "the host wakes", w.host.wakeIfAsleep)
		}
	case 18:
		if s.chance(0.5) {
			note("the host's disk is full")
			w.host.disk.full = true
			s.forA(while, "", func() { w.host.disk.full = false })
		} else {
			note("the host's disk is slow")
			w.slowly(true)
			w.host.disk.slow = true
			s.forA(while, "", func() { w.host.disk.slow = false; w.slowly(false) })
		}
	default:
		if s.chance(0.2) {
			step := s.step()
			w.note("the host's wall clock steps by %d ms", step/ms)
			w.host.wallOff += step
			s.forA(while, "", func() { w.host.wallOff -= step })
			return
		}
		note("half of what is sent is lost at first")
		w.slowly(true)
		w.net.bad = true
		s.forA(while, "", func() { w.net.bad = false; w.slowly(false) })
	}
}

// step is how far somebody sets a clock. A minute passes every bound that there
// is for a clock, and is waited for without many steps.
func (s *weather) step() int64 {
	if s.chance(0.3) {
		return s.between(10*second, 60*second) * (1 - 2*s.Int64N(2))
	}
	return s.between(-2*second, 2*second)
}

// slowly notes that news takes longer for a while.
func (w *world) slowly(slow bool) {
	w.watch.slow = slow
	w.watch.disturbed()
}

// clear lets everything get well, and asks whether all agree.
func (s *weather) clear() {
	if s.alone {
		s.after(10*second, "", s.clear)
		return
	}
	bound := s.heal()
	s.w.note("all must agree within %d s", bound/second)
	s.after(bound, "do all agree?", func() {
		s.w.watch.agree(0, func() {
			s.after(second, "", s.goOn)
			s.after(s.between(60*second, 300*second), "", s.clear)
		})
	})
}

// heal ends all faults. It gives the time within which all must agree: 5 s, as
// phones dial at least every 2 s in a hold, or what one that dials seldom needs,
// which is up to every 15 s between holds. A host whose clock was set back takes
// what phones recorded once its time has come.
func (s *weather) heal() int64 {
	w := s.w
	w.note("all gets well")
	s.calm = true
	bound := 5 * second
	w.host.disk.full, w.host.disk.slow, w.net.bad, w.watch.slow = false, false, false, false
	w.host.wakeIfAsleep()
	w.host.startIfDown()
	for _, p := range w.phones {
		p.disk.slow = false
		p.bootIfOff()
		if !p.on {
			bound = max(bound, p.upAt-w.now+5*second)
		}
		p.wakeIfAsleep()
		p.thawIfFrozen()
		p.show(true)
		p.silence(false)
		p.sockets(true)
		p.reach()
		if p.on && !p.lastInHold && w.now-p.loadedAt > second {
			bound = max(bound, 18*second)
		}
	}
	us, _ := w.host.sharedNow()
	if ahead := w.watch.newest*ms - us; ahead > second {
		bound = max(bound, ahead+4*second)
	}
	w.watch.disturbed()
	return bound
}

// desert leaves a hold to those of its phones that are next in turn: all else is
// well, nobody presses, and the phones that have the rungs fail one after another.
// In all the other faults it is rare that nothing happens for long enough.
func (s *weather) desert() {
	w := s.w
	s.after(s.between(30*second, 90*second), "", s.desert)
	if s.calm || !w.inHold() {
		return
	}
	s.heal()
	s.alone = true
	var turn []*phone
	for _, role := range []string{protocol.RoleBuddy, protocol.RoleSiren, protocol.RoleDiver} {
		for _, p := range w.phones {
			if p.role == role && p.on {
				turn = append(turn, p)
			}
		}
	}
	while := s.between(12*second, 32*second)
	if len(turn) > 1 {
		for _, p := range turn[:s.between(1, int64(len(turn)-1))] {
			s.after(s.between(100*ms, 6*second), "", func() { s.take(p, while) })
		}
	}
	s.after(while, "", func() {
		s.heal()
		s.alone = false
		s.goOn()
	})
}

// goOn ends a calm.
func (s *weather) goOn() {
	if !s.last {
		s.calm = false
		s.turn()
	}
}

// take has a phone be no use to its pair.
func (s *weather) take(p *phone, while int64) {
	if !p.on || p.asleep || s.w.now-max(p.joinedAt, p.steppedAt) < 20*second {
		return
	}
	what := s.IntN(6)
	s.w.note("%s is no use for up to %.1f s (%d)", p.name, float64(while)/float64(second), what)
	switch what {
	case 0:
		p.gone(true)
		p.disk.die()
		p.upAt = s.w.now + 20*second
	case 1:
		p.gone(true)
	case 2:
		p.sleep()
	case 3:
		p.show(false)
	case 4:
		p.silence(true)
	case 5:
		p.cutOff()
	}
}

// inHold tells whether any phone shows a hold or its recovery.
func (w *world) inHold() bool {
	return slices.ContainsFunc(w.phones, func(p *phone) bool {
		return p.on && !p.isBoard() && (p.look().Phase == string(protocol.Holding) || p.look().Phase == string(protocol.Recovery))
	})
}

func (p *phone) cutOff() {
	p.cut = true
	p.w.watch.disturbed()
}

// reach ends a cut. Many systems tell the page that it is online again.
func (p *phone) reach() {
	if !p.cut {
		return
	}
	p.w.net.heal(p)
	p.w.watch.disturbed()
	if p.on && p.chance(0.5) {
		p.here(1, fmt.Sprintf("%s is online", p.name), func() { p.call("back", 0) })
	}
}

// bootIfOff loads the page again. A phone that lost its power takes a while.
func (p *phone) bootIfOff() {
	switch {
	case p.on:
	case p.w.now < p.upAt:
		p.after(p.upAt-p.w.now, "", p.bootIfOff)
	default:
		p.w.watch.forgets(p)
		p.boot()
	}
}

func (p *phone) wakeIfAsleep() {
	if p.on && p.asleep {
		p.w.note("%s wakes", p.name)
		p.wake()
	}
}

func (p *phone) freeze() {
	p.frozen = true
	p.frozenAt = p.w.now
	p.w.watch.disturbed()
	p.call("freeze")
}

func (p *phone) thawIfFrozen() {
	if p.on && p.frozen {
		p.w.note("%s goes on", p.name)
		p.frozen = false
		p.w.watch.disturbed()
		p.call("thaw", (p.w.now-p.frozenAt)/ms)
	}
}

func (p *phone) show(visible bool) {
	if p.visible != visible {
		p.visible = visible
		p.w.watch.disturbed()
	}
}

func (p *phone) silence(mute bool) {
	if p.mute == mute {
		return
	}
	p.mute = mute
	p.w.watch.disturbed()
	if !mute && p.on && !p.asleep {
		p.play()
	}
}

func (p *phone) sockets(through bool) {
	if p.noSockets == through {
		p.noSockets = !through
		p.w.watch.disturbed()
	}
}

func (h *host) startIfDown() {
	if !h.up {
		h.w.watch.disturbed()
		h.start()
	}
}

func (h *host) wakeIfAsleep() {
	if h.asleep {
		h.w.watch.disturbed()
		h.wake()
	}
}
