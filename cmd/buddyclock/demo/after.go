package demo

import (
	"math/rand/v2"

	"buddyclock/protocol"
)

// recover is from the first breath to the OK sign.
func (p *pair) recover(now int64, st protocol.Status) {
	h := p.h
	asksAwake := st.Standing != nil && st.Standing.Asks == protocol.AsksAwake
	switch {
	case h.fainted:
		p.once("incident", now+2_000, func(at int64) {
			if p.buddy.Status(h.id, at).Phase != protocol.InIncident {
				p.buddy.Record(h.id, protocol.KindIncident, at, map[string]any{"what": "blackout"})
			}
		})
		return
	case asksAwake:
		p.once("awake", now+1_500, func(at int64) { p.buddy.Record(h.id, protocol.KindAwake, at, nil) })
	}
	p.once("ok", *st.SurfacedAt+int64(p.between(4_500, 9_500)), func(at int64) {
		if p.buddy.Status(h.id, at).Phase == protocol.Recovery {
			p.buddy.Record(h.id, protocol.KindOK, at, nil)
		}
	})
}

// watch is from the OK sign to the end that both agree on.
func (p *pair) watch(now int64, st protocol.Status) {
	p.mind(now, st)
	if st.WatchEndAt == nil || now < *st.WatchEndAt || st.Standing != nil {
		return
	}
	p.once("watch-ended", now+int64(p.between(800, 2_500)), func(at int64) {
		if p.buddy.Status(p.h.id, at).Standing == nil {
			p.buddy.Record(p.h.id, protocol.KindWatchEnded, at, nil)
			return
		}
		p.h.did["watch-ended"] = false // a look is due first
	})
}

// rescue is the buddy at a diver who has fainted, and whoever else is there.
func (p *pair) rescue(st protocol.Status) {
	h := p.h
	from := st.Incident.At
	p.once("with-them", from+2_500, func(at int64) { p.buddy.Record(h.id, protocol.KindWithThem, at, nil) })
	for what, in := range map[string]int64{"airway": 5_000, "talk": 9_000, "rescue-breath": 15_000} {
		p.once(what, from+in, func(at int64) { p.diver.Record(h.id, protocol.KindStep, at, map[string]any{"what": what}) })
	}
	p.once("recovered", from+20_000, func(at int64) {
		p.buddy.Record(h.id, protocol.KindRecovered, at, nil)
		h.did["fainted"] = h.did["fainted"] || h.fainted
		h.fainted, h.reacting, h.busyUntil = false, 0, 0
	})
}

// debrief says how it was and plans when to go on.
func (p *pair) debrief(st protocol.Status) {
	h := p.h
	p.once("verdict", *st.OverAt+int64(p.between(4_000, 8_000)), func(at int64) {
		sum := p.buddy.Summary(h.id, at)
		what := "clean"
		switch {
		case h.did["fainted"]:
			what = "passed-out"
			p.outOf = true // no more holds that day (common practice)
		case sum.Incident != nil || sum.OKMs == nil || *sum.OKMs > 12_000:
			what = "shaky"
		}
		p.buddy.Record(h.id, protocol.KindVerdict, at, map[string]any{"what": what})
		if note := noteOf(h, what, p.r); note != "" {
			p.buddy.Record(h.id, protocol.KindNote, at+500, map[string]any{"text": note})
		}
		held := int64(0)
		if sum.HoldMs != nil {
			held = *sum.HoldMs
		}
		if ofLife := int(float64(held) * p.pace / 1000); what == "clean" && ofLife > p.longestS {
			p.longestS = ofLife
		}
		p.plannedS += []int{0, 5, 5, -10}[p.r.IntN(4)]
		p.nextAt = at + max(leastMs, restFactor*held)
		if h.cutOff && !h.back {
			p.cut(false)
		}
		// Somebody else at the pair's phones may have been faster than these two.
		p.h, p.presses = nil, nil
	})
}

// noteOf is what the two write down; often nothing.
func noteOf(h *course, verdict string, r *rand.Rand) string {
	switch {
	case verdict == "passed-out":
		return "went 45 s past the longest clean hold; no more holds today, and a doctor to talk to"
	case h.story == forgets:
		return "looked away, the alarm called me back"
	case h.story == lostLink:
		return "phone was off the network for a while"
	}
	return []string{"", "", "relaxed at first, restless from the contractions on", "cold", "slept badly"}[r.IntN(5)]
}
