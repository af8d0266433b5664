package simulation

import (
	"container/heap"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"buddyclock/protocol"
)

// Times in the simulator are true time in µs, which no clock in it shows.
const (
	ms     = int64(1000)
	second = 1000 * ms
	minute = 60 * second
)

// beginning is the true Unix time at which every world begins.
const beginning = int64(1_790_000_000) * second

// happening is one thing that will happen. A step is one of them.
type happening struct {
	at    int64
	owner int // whose it is, and
	seq   int // the how-manieth: ties must not depend on anything but the seed
	what  string
	do    func()
	off   bool
}

type queue []*happening

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	a, b := q[i], q[j]
	if a.at != b.at {
		return a.at < b.at
	}
	if a.owner != b.owner {
		return a.owner < b.owner
	}
	return a.seq < b.seq
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(*happening)) }
func (q *queue) Pop() any {
	old := *q
	last := old[len(old)-1]
	*q = old[:len(old)-1]
	return last
}

// actor is whoever things happen to. Each has its own chance, so that what one
// draws does not change what another gets.
type actor struct {
	w      *world
	number int
	seq    int
	*rand.Rand
}

func (w *world) newActor() actor {
	w.actors++
	return actor{w: w, number: w.actors, Rand: rand.New(rand.NewPCG(w.seed, uint64(w.actors)))}
}

// after has something happen in so many µs.
func (a *actor) after(us int64, what string, do func()) *happening {
	a.seq++
	h := &happening{at: a.w.now + max(us, 1), owner: a.number, seq: a.seq, what: what, do: do}
	heap.Push(&a.w.queue, h)
	return h
}

// chance is true p of the time.
func (a *actor) chance(p float64) bool { return a.Float64() < p }

// between gives a number from lo up to hi.
func (a *actor) between(lo, hi int64) int64 { return lo + a.Int64N(hi-lo+1) }

// lognormal gives about the median, seldom far more.
func (a *actor) lognormal(median int64, sigma float64) int64 {
	return int64(float64(median) * math.Exp(sigma*a.NormFloat64()))
}

// world is one simulated outing.
type world struct {
	seed    uint64
	defect  defect
	now     int64
	queue   queue
	actors  int
	steps   int
	trace   []string
	traced  int
	host    *host
	phones  []*phone
	net     network
	weather weather
	watch   *watch
}

// tracedLines is how much of the past a failing run tells.
const tracedLines = 80

// note adds a line to what a failing run tells.
func (w *world) note(format string, args ...any) {
	line := fmt.Sprintf("%10.3f  ", float64(w.now-beginning)/float64(second)) + fmt.Sprintf(format, args...)
	if len(w.trace) < tracedLines {
		w.trace = append(w.trace, line)
	} else {
		w.trace[w.traced%tracedLines] = line
	}
	w.traced++
}

// broken is an invariant that did not hold.
type broken struct {
	rule, how string
	steps     int
	trace     string
}

func (b *broken) Error() string { return b.rule + ": " + b.how }

// fail ends the run: an invariant is broken.
func (w *world) fail(rule, format string, args ...any) {
	lines := append(append([]string{}, w.trace[w.traced%max(len(w.trace), 1):]...), w.trace[:w.traced%max(len(w.trace), 1)]...)
	if len(w.trace) < tracedLines {
		lines = w.trace
	}
	panic(&broken{rule: rule, how: fmt.Sprintf(format, args...), steps: w.steps, trace: strings.Join(lines, "\n")})
}

// newWorld makes an outing of two to four phones, some with an instructor, all well at first.
func newWorld(seed uint64, page *page, d defect) *world {
	w := &world{seed: seed, defect: d, now: beginning}
	w.watch = newWatch(w)
	w.net = network{actor: w.newActor()}
	w.host = newHost(w)
	roles := []string{"buddy", "diver", "buddy", "siren"}
	shape := w.newActor()
	switch shape.IntN(4) {
	case 0:
		roles = roles[:2]
	case 1:
		roles = []string{"buddy", "siren", "diver"}
	case 2:
		roles = roles[:3]
	}
	if shape.chance(0.4) {
		roles = append(slices.Clone(roles), protocol.RoleInstructor)
	}
	for i, role := range roles {
		w.phones = append(w.phones, newPhone(w, page, i, role))
	}
	w.host.admit(w.phones)
	w.host.start()
	for _, p := range w.phones {
		p.boot()
	}
	for _, p := range w.phones {
		w.people(p)
	}
	w.weather = weather{actor: w.newActor()}
	w.weather.begin()
	return w
}

// run takes so many steps. The error is a *broken.
func (w *world) run(steps int) (err error) {
	defer func() {
		if r := recover(); r != nil {
			b, ok := r.(*broken)
			if !ok {
				panic(r)
			}
			err = b
		}
	}()
	for w.steps < steps {
		w.step()
	}
	w.watch.end()
	return nil
}

func (w *world) step() {
	h := heap.Pop(&w.queue).(*happening)
	if h.off {
		return
	}
	w.now = h.at
	w.steps++
	if h.what != "" {
		w.note("%s", h.what)
	}
	h.do()
}

// until takes steps up to a time.
func (w *world) until(at int64) {
	for w.queue[0].at <= at {
		w.step()
	}
	w.now = at
}
