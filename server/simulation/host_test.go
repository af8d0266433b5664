package simulation

import (
	"log/slog"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/room"
	"buddyclock/server/store"
)

// idleFor is how long the host waits for a silent device, as server/socket.go does.
const idleFor = 30 * second

// host is the server: the real core of a pair and the real shared clock, over a
// simulated disk and machine. Its few lines of wire are those of server/socket.go
// and server/api.go in small steps, so that others can come in between.
type host struct {
	actor
	disk *disk
	pair store.Pair

	up     bool
	asleep bool
	life   int // grows with each start

	ppm       int64 // how much its monotonic clock runs fast
	wallOff   int64 // its wall clock minus true time, µs
	slept     int64 // µs of true time that its monotonic clock has missed
	sleptFrom int64
	startedAt time.Time // what its wall clock showed when the program started, and
	startMono time.Duration

	shared *server.SharedClock
	core   *room.Core
	conns  []*conn
	look   *happening
	later  int64 // when the last of the things for the pair's turn is due
	roles  map[string]room.Member
	truths map[string]truth // by clock id
}

// truth is how a shared clock runs: shared µs at a true time, and its rate.
type truth struct {
	at, shared int64
	ppm        int64
}

func (t truth) sharedUs(now int64) float64 {
	run := float64(now - t.at)
	return float64(t.shared) + run*(1+float64(t.ppm)/1e6)
}

func newHost(w *world) *host {
	h := &host{
		actor: w.newActor(), disk: newDisk(w), pair: store.Pair{ID: "pair000001", Session: "session001", Number: 1},
		roles: map[string]room.Member{}, truths: map[string]truth{},
	}
	h.ppm = h.between(-80, 80)
	return h
}

func (h *host) admit(phones []*phone) {
	for _, p := range phones {
		h.disk.members = append(h.disk.members, membership(p, 0))
		h.roles[p.device] = room.Member{Device: p.device, Role: p.role, Name: p.name}
	}
}

func membership(p *phone, sinceMs int64) store.Membership {
	return store.Membership{Device: p.device, Role: p.role, Name: p.name, OfAll: p.isBoard(), SinceMs: sinceMs, TokenHash: access.HashToken(p.token())}
}

// rejoin gives a phone another role, as server/join.go and server/store/people.go do.
func (h *host) rejoin(p *phone, role string) {
	us, _ := h.sharedNow()
	nowMs := us / 1000
	for i := range h.disk.members {
		if m := &h.disk.members[i]; m.Device == p.device && m.UntilMs == 0 {
			m.UntilMs = nowMs
		}
	}
	p.role = role
	h.disk.members = append(h.disk.members, membership(p, nowMs))
	h.roles[p.device] = room.Member{Device: p.device, Role: role, Name: p.name}
	h.disk.lastMs = max(h.disk.lastMs, nowMs)
	h.core.Refresh()
}

// mono is the host's monotonic clock, which stands still while it sleeps.
func (h *host) mono() time.Duration {
	missed := h.slept
	if away := h.w.now - h.sleptFrom; h.asleep && away > shortestSleep {
		missed += away
	}
	run := h.w.now - beginning - missed
	return time.Duration(float64(run) * (1e3 + float64(h.ppm)/1e3))
}

// machineClock is time as the host's program sees it: the wall clock's at its
// start, carried on by the monotonic one.
type machineClock struct {
	clock.Clock
	h *host
}

func (c machineClock) Now() time.Time                  { return c.h.startedAt.Add(c.h.mono() - c.h.startMono) }
func (c machineClock) Since(t time.Time) time.Duration { return c.Now().Sub(t) }

func (h *host) wall() time.Time { return time.UnixMicro(h.w.now + h.wallOff).UTC() }

// start has the program begin, with what the disk has.
func (h *host) start() {
	h.up = true
	h.life++
	h.later = 0
	h.disk.recover()
	h.w.watch.recovered()
	h.startedAt, h.startMono = h.wall(), h.mono()
	clk := machineClock{clock.New(), h}
	h.shared = server.NewSharedClockOn(clk, h.wall, func() time.Duration { return time.Duration(h.slept) * time.Microsecond })
	h.shared.GoOnFrom(h.disk.lastMs)
	h.sharedNow()
	life := h.life
	core, err := room.NewCore(h.pair, room.Env{
		Store: h.disk, Clock: clk, NowMs: func() int64 { us, _ := h.sharedNow(); return us / 1000 }, Log: slog.New(slog.DiscardHandler),
		CatchUp: h.catchUp,
		Later:   func(f func()) { h.inTurn(life, f) },
		Wake:    func(d time.Duration) { h.wakeIn(life, d) },
	})
	if err != nil {
		h.w.fail("the host starts", "%v", err)
	}
	h.core = core
	h.core.Look()
}

// crash has the program end at once, as kill -9 or a lost battery does.
func (h *host) crash() {
	h.up = false
	h.disk.crash()
	h.core, h.look = nil, nil
	for _, c := range h.conns {
		c.line.breakOff(true)
	}
	h.conns = nil
}

// sleep suspends the machine: nothing of it runs, and its monotonic clock stands.
func (h *host) sleep() {
	h.asleep = true
	h.sleptFrom = h.w.now
}

func (h *host) wake() {
	h.asleep = false
	if away := h.w.now - h.sleptFrom; away > shortestSleep {
		h.slept += away
	}
}

// sharedNow is shared time in µs; it notes how each of its clocks runs.
func (h *host) sharedNow() (us int64, id string) {
	us, id = h.shared.NowUs()
	if _, known := h.truths[id]; !known {
		h.truths[id] = truth{at: h.w.now, shared: us, ppm: h.ppm}
	}
	return us, id
}

// catchUp notes how the clock runs that a phone has carried on.
func (h *host) catchUp(atMs int64) bool {
	caught := h.shared.CatchUp(atMs)
	if caught {
		h.w.note("the host's time goes on from what a phone recorded")
		h.w.watch.disturbed()
	}
	h.sharedNow()
	return caught
}

// here does something unless the program has ended since; a machine that sleeps
// does it once it is awake.
func (h *host) here(life int, us int64, what string, do func()) *happening {
	return h.after(us, what, func() {
		switch {
		case h.life != life || !h.up:
		case h.asleep:
			h.here(life, 20*ms, what, do)
		default:
			do()
		}
	})
}

// inTurn does what the disk's answer brings in the pair's turn: in order.
func (h *host) inTurn(life int, f func()) {
	h.later = max(h.later, h.w.now+h.between(0, ms)) + 1
	h.here(life, h.later-h.w.now, "", f)
}

func (h *host) wakeIn(life int, d time.Duration) {
	if h.look != nil {
		h.look.off = true
	}
	h.look = h.here(life, d.Microseconds(), "", func() { h.look = nil; h.core.Look() })
}
