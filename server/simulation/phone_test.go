package simulation

import (
	"encoding/json"
	"fmt"
	"math"

	"github.com/dop251/goja"

	"buddyclock/protocol"
)

// phone is one device, of the pair or an instructor's: its page runs in goja, its
// clocks, disk, ears and loudspeaker are here.
type phone struct {
	actor
	page   *page
	name   string
	device string
	role   string // as the host has it

	on        bool // the page is loaded
	life      int  // grows with each load
	asleep    bool // nothing runs, not even sound
	frozen    bool // the page stands still; what was laid goes on to sound
	frozenAt  int64
	visible   bool
	mute      bool // no sound, and the page knows it
	cut       bool // the network does not reach it
	noSockets bool // only plain requests get through

	ppm       int64 // how much its monotonic clock runs fast
	wallOff   int64 // wall clock minus true time, µs
	steppedAt int64 // when the wall clock was last set
	upAt      int64 // when it can be up again after it died
	joinedAt  int64 // when it last got another role
	loadedAt  int64
	slept     int64 // µs of sleep that the monotonic clock missed
	sleptFrom int64
	stands    bool // its monotonic clock stands still in a sleep

	disk   *phoneDisk
	vm     *goja.Runtime
	calls  map[string]goja.Callable
	timers map[int64]*happening
	timerN int64
	missed []func() // timers that came due in a sleep
	lines  []*line

	holds   map[string]*protocol.Hold // what the page has in its book
	count   int
	view    view
	viewed  string // the view, not read yet
	laid    []laid
	laidFor string
	played  map[string]bool
	player  *happening

	lastNow    int64 // shared ms last shown
	shownAt    int64 // true time at which it was
	doubtMs    int64 // of that time; -1 for none
	lastInHold bool
	wants      *expectation
	person     person
}

// laid is one rung's sound in the audio queue; at is device time.
type laid struct {
	Rung string  `json:"rung"`
	Due  int64   `json:"due"`
	Key  string  `json:"key"`
	At   float64 `json:"at"`
}

// view is what a person sees on the page.
type view struct {
	Role     string `json:"role"`
	Hold     string `json:"hold"`
	Phase    string `json:"phase"`
	Stage    string `json:"stage"`
	StartAt  *int64 `json:"start_at"`
	ZeroAt   *int64 `json:"zero_at"`
	Planned  int64  `json:"planned_ms"`
	Standing *struct {
		Rung string `json:"rung"`
		Asks string `json:"asks"`
	} `json:"standing"`
	AwakeDue bool     `json:"awake_due"`
	OKAt     *int64   `json:"ok_at"`
	Locked   bool     `json:"watch_locked"`
	Verdict  bool     `json:"verdict"`
	Unsent   int      `json:"unsent"`
	TakeBack []string `json:"take_back"`
}

func newPhone(w *world, pg *page, n int, role string) *phone {
	p := &phone{
		actor: w.newActor(), page: pg, name: fmt.Sprintf("%s%d", role, n+1), role: role, visible: true,
		device: fmt.Sprintf("%c%09d", "abcdefgh"[n], n+1),
	}
	p.disk = newPhoneDisk(p)
	p.ppm = p.between(-100, 100)
	p.wallOff = p.between(-3*second, 3*second)
	p.stands = p.chance(0.5)
	return p
}

// isBoard tells whether its page shows all pairs, and is of none.
func (p *phone) isBoard() bool { return p.role == protocol.RoleInstructor }

// token is what the phone was given when it joined.
func (p *phone) token() string { return "token of " + p.device }

// monoUs is the page's monotonic clock, from its load on.
func (p *phone) monoUs() float64 {
	missed := p.slept
	if away := p.w.now - p.sleptFrom; p.asleep && p.stands && away > shortestSleep {
		missed += away
	}
	return float64(p.w.now-p.loadedAt-missed) * (1 + float64(p.ppm)/1e6)
}

// nowMs is what `performance.now()` says: coarse, as browsers have it.
func (p *phone) nowMs() float64 { return math.Floor(p.monoUs()/100) / 10 }

// in gives how many µs of true time pass until the monotonic clock shows that.
func (p *phone) in(deviceMs float64) int64 {
	return int64(math.Ceil((deviceMs*1000 - p.monoUs()) / (1 + float64(p.ppm)/1e6)))
}

func (p *phone) wallMs() float64 { return math.Floor(float64(p.w.now+p.wallOff) / 1000) }

// here does something unless the page has gone since. In a sleep it is done
// when the phone wakes.
func (p *phone) here(us int64, what string, do func()) *happening {
	life := p.life
	return p.after(us, what, func() {
		switch {
		case p.life != life || !p.on:
		case p.asleep:
			p.missed = append(p.missed, do)
		default:
			do()
		}
	})
}

// boot loads the page from the phone's disk.
func (p *phone) boot() {
	p.on, p.frozen, p.asleep = true, false, false
	p.life++
	p.loadedAt, p.slept = p.w.now, 0
	p.timers, p.missed, p.laid, p.played = map[int64]*happening{}, nil, nil, map[string]bool{}
	p.holds, p.count = map[string]*protocol.Hold{}, 0
	p.wants, p.lastInHold, p.lastNow, p.doubtMs, p.viewed, p.view = nil, false, 0, -1, "", view{}
	p.lines = nil
	p.w.watch.disturbed()
	p.w.note("%s loads its page", p.name)
	p.load()
	p.tick()
}

// gone ends the page: its sockets are closed where something is left to do so.
func (p *phone) gone(died bool) {
	p.on = false
	p.w.watch.disturbed()
	p.vm = nil
	for _, l := range p.lines {
		if l.phoneOpen && !died {
			l.hangUp()
		}
		l.phoneOpen = false
		if died {
			l.stuck = nil // what it would have sent again is gone with it
		}
	}
}

func (p *phone) tick() {
	p.here(250*ms, "", func() {
		p.call("tick")
		p.tick()
	})
}

// call has the page do something; a mistake in it ends the run.
func (p *phone) call(name string, args ...any) {
	values := make([]goja.Value, len(args))
	for i, a := range args {
		values[i] = p.vm.ToValue(a)
	}
	p.answer(p.calls[name](goja.Undefined(), values...))
}

func (p *phone) answer(v goja.Value, err error) goja.Value {
	if err != nil {
		p.w.fail("the page works", "%s: %v", p.name, err)
	}
	return v
}

// hear hands the page what its socket says.
func (p *phone) hear(l *line, what, text string) {
	if l.page != p.life || !p.on {
		return
	}
	if p.asleep {
		p.missed = append(p.missed, func() { p.hear(l, what, text) })
		return
	}
	if what == "close" {
		p.w.watch.disturbed()
	}
	p.call("socket", l.id, what, text)
}

// shortestSleep is the least time for which a machine's clock stands: none is
// suspended for less, and so little would be seen by no other clock.
const shortestSleep = second / 2

// sleep suspends the phone; wake goes on, with all that came due meanwhile.
func (p *phone) sleep() {
	p.asleep = true
	p.sleptFrom = p.w.now
	p.w.watch.disturbed()
}

func (p *phone) wake() {
	p.asleep = false
	away := p.w.now - p.sleptFrom
	if p.stands && away > shortestSleep {
		p.slept += away
	}
	p.w.watch.disturbed()
	missed := p.missed
	p.missed = nil
	p.call("back", away/ms)
	for _, do := range missed {
		if p.on {
			do()
		}
	}
	p.play()
}

// lay takes what the page put into the audio queue, in place of what was there.
func (p *phone) lay(text, hold string) {
	p.laid, p.laidFor = nil, hold
	if err := json.Unmarshal([]byte(text), &p.laid); err != nil {
		panic(err)
	}
	p.play()
}

// play sounds what has begun, and waits for the next.
func (p *phone) play() {
	if p.player != nil {
		p.player.off = true
		p.player = nil
	}
	now := p.monoUs() / 1000
	next := math.Inf(1)
	for _, item := range p.laid {
		switch {
		case p.played[item.Key]:
		case item.At > now:
			next = min(next, item.At)
		case !p.mute: // else it is heard as soon as there is sound again
			p.played[item.Key] = true
			p.w.watch.heard(p, p.laidFor, item.Rung)
			p.here(1, "", func() { p.call("sounded", item.Rung, item.Due, int64(now-item.At)) })
		}
	}
	if !math.IsInf(next, 1) {
		life := p.life
		p.player = p.after(p.in(next), "", func() {
			if p.life == life && p.on && !p.asleep {
				p.play()
			}
		})
	}
}
