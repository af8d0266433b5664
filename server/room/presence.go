package room

import (
	"encoding/json"
	"time"
)

// When a device counts as stale or lost without a heartbeat. In a hold pages
// send one a second, otherwise every 5 s.
const (
	staleInHold = 3 * time.Second
	lostInHold  = 5 * time.Second
	staleIdle   = 8 * time.Second
	lostIdle    = 12 * time.Second

	// forgetAfter is how long a lost device is still shown.
	forgetAfter = 30 * time.Minute
	// refreshEvery is the pace at which unchanged heartbeats are passed on.
	refreshEvery = time.Second
)

// Links of a device, as its heartbeats show them.
const (
	linkLive  = "live"
	linkStale = "stale"
	linkLost  = "lost"
)

// present is what the pair knows of one of its devices.
type present struct {
	member  Member
	state   json.RawMessage // what the device last said of itself, or nil
	heard   time.Time
	heardMs int64 // shared ms of the same: an age told later is of this very instant
	link    string
}

type presentJSON struct {
	Device string          `json:"device"`
	Role   string          `json:"role"`
	Name   string          `json:"name"`
	Link   string          `json:"link"`
	AgeMs  int64           `json:"age_ms"`
	State  json.RawMessage `json:"state"`
}

// Heartbeat takes what a device says of itself; state is a JSON object. Something new goes to the others
// at once, a mere sign of life with the next refresh.
func (r *Core) Heartbeat(m Member, state json.RawMessage) {
	p := r.seen(m)
	if state != nil && string(p.state) != string(state) {
		p.state = state
		r.presenceDue = r.env.Clock.Now()
	}
	r.Look()
}

// seen marks a device as heard of just now.
func (r *Core) seen(m Member) *present {
	now := r.env.Clock.Now()
	p := r.present[m.Device]
	if p == nil {
		p = &present{link: linkLive}
		r.present[m.Device] = p
		r.order = append(r.order, m.Device)
		r.presenceDue = now
	}
	if p.member != m {
		p.member = m
		r.presenceDue = now
	}
	p.heard, p.heardMs = now, r.env.NowMs()
	if r.presenceDue.IsZero() {
		r.presenceDue = now.Add(refreshEvery)
	}
	return p
}

// Look works out each device's link, tells the pair what is due, and
// sets the timer for the next change.
func (r *Core) Look() {
	now := r.env.Clock.Now()
	status := r.followHold(now)
	stale, lost := staleIdle, lostIdle
	if r.active {
		stale, lost = staleInHold, lostInHold
	}
	next := now.Add(time.Hour)
	for i := 0; i < len(r.order); i++ {
		p := r.present[r.order[i]]
		// A page learns of a hold's beginning by an event, and is given its time
		// from then on.
		since := p.heard
		if r.active && r.activeSince.After(since) {
			since = r.activeSince
		}
		link, change := linkLive, since.Add(stale)
		switch age := now.Sub(since); {
		case age >= forgetAfter && !r.active:
			delete(r.present, r.order[i])
			r.order = append(r.order[:i], r.order[i+1:]...)
			r.presenceDue = now
			i--
			continue
		case age >= lost:
			link, change = linkLost, since.Add(forgetAfter)
		case age >= stale:
			link, change = linkStale, since.Add(lost)
		}
		if link != p.link {
			p.link = link
			r.presenceDue = now
		}
		if change.After(now) && change.Before(next) {
			next = change
		}
	}
	var frame []byte
	if !r.presenceDue.IsZero() && !r.presenceDue.After(now) {
		r.presenceDue = time.Time{}
		frame = r.presenceFrame()
	}
	if !r.presenceDue.IsZero() && r.presenceDue.Before(next) {
		next = r.presenceDue
	}
	if change := r.lookAtHold(status, now); change.Before(next) {
		next = change
	}
	if retry := r.retryStoring(now); !retry.IsZero() && retry.Before(next) {
		next = retry
	}
	r.wakeIn(next.Sub(now))
	// Last, so that whoever is told finds the timer set.
	if frame != nil {
		r.sendAll(frame, nil)
	}
}

// presentNow gives the devices as they are at a time, shared ms.
func (r *Core) presentNow(atMs int64) []presentJSON {
	now := r.env.Clock.Now()
	list := make([]presentJSON, 0, len(r.order))
	for _, id := range r.order {
		p := r.present[id]
		age := min(atMs-p.heardMs, now.Sub(p.heard).Milliseconds()+1) // shared time may have leapt since
		list = append(list, presentJSON{
			Device: p.member.Device, Role: p.member.Role, Name: p.member.Name,
			Link: p.link, AgeMs: max(0, age), State: p.state,
		})
	}
	return list
}

func (r *Core) presenceFrame() []byte {
	atMs := r.env.NowMs()
	return encode(struct {
		Type    string        `json:"type"`
		Pair    string        `json:"pair"`
		At      int64         `json:"at"` // shared ms from which ages count
		Present []presentJSON `json:"present"`
	}{"presence", r.Pair.ID, atMs, r.presentNow(atMs)})
}

// forget takes a device that left out of the list.
func (r *Core) forget(device string) {
	for i, id := range r.order {
		if id == device {
			delete(r.present, device)
			r.order = append(r.order[:i], r.order[i+1:]...)
			r.presenceDue = r.env.Clock.Now()
			return
		}
	}
}
