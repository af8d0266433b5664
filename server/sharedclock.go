package server

import (
	"sync"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/server/access"
)

// goOnWithin is how far a wall clock may lie behind the log for the log to be
// believed: beyond that, somebody has to look at the machine's clock.
const goOnWithin = 24 * time.Hour

// goneAtMost bounds by how much devices can carry shared time on where it came back
// behind: no hold lasts so long.
const goneAtMost = 30 * time.Minute

// jumpTolerance is how far wall and monotonic clock may drift apart between two
// looks before the machine is taken to have slept or to have been set anew.
const jumpTolerance = 250 * time.Millisecond

// SharedClock is the time all devices of a session agree on: the wall clock's
// Unix ms when the server started, or where GoOnFrom said, carried on by the
// monotonic clock, so that it never steps. Its id changes when the machine wakes from a sleep or its wall
// clock is set; offsets that devices measured against an older id are void.
type SharedClock struct {
	clk   clock.Clock
	wall  func() time.Time     // without a monotonic reading
	slept func() time.Duration // how long the machine has slept, as far as the system tells

	mu     sync.Mutex
	start  time.Time
	baseUs int64 // shared µs at start
	id     string
	ahead  time.Duration // wall clock minus monotonic clock, when last looked at
	asleep time.Duration // slept at that time
	added  time.Duration // sleep that shared time has been carried over
	// goneUs is for how long the server may have been gone without its clock
	// knowing, less what devices have told of it since.
	goneUs int64
}

// NewSharedClock starts a shared clock at the present wall time.
func NewSharedClock(clk clock.Clock) *SharedClock {
	return NewSharedClockOn(clk, func() time.Time { return clk.Now().Round(0) }, sleptSoFar)
}

// NewSharedClockOn starts a shared clock on a machine whose wall clock, and the
// time it has slept, are told apart from its monotonic clock.
func NewSharedClockOn(clk clock.Clock, wall func() time.Time, slept func() time.Duration) *SharedClock {
	start := clk.Now()
	return &SharedClock{
		clk: clk, wall: wall, slept: slept,
		start: start, baseUs: start.UnixMicro(), id: access.NewID(),
		ahead: wall().Sub(start.Round(0)), asleep: slept(),
	}
}

// GoOnFrom is called at the start with the time at which the log was last
// written to, or a role given (shared Unix ms, 0 for never). A machine that comes
// back with its wall clock behind that would else take what phones record in a
// hold for the future, or for what they did before they had their role, and
// refuse it.
func (c *SharedClock) GoOnFrom(lastMs int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	behindUs := lastMs*1000 - c.baseUs
	if behindUs > 0 && behindUs <= goOnWithin.Microseconds() {
		c.baseUs += behindUs
		c.goneUs = goneAtMost.Microseconds()
	}
}

// CatchUp is told of a time at which a device recorded something (shared Unix ms),
// and tells whether shared time has gone on from there. It does so only where the
// machine's clock came back behind the log: for how long the server was gone then
// nobody knows but its devices, whose time went on, and what they record in a hold
// would not be taken for as long as it was.
func (c *SharedClock) CatchUp(atMs int64) bool {
	nowUs, _ := c.NowUs()
	c.mu.Lock()
	defer c.mu.Unlock()
	aheadUs := atMs*1000 - nowUs
	if aheadUs <= 0 || aheadUs > c.goneUs {
		return false
	}
	c.goneUs -= aheadUs
	c.baseUs += aheadUs
	c.id = access.NewID()
	return true
}

// NowUs gives shared time in whole microseconds, and the clock's id. Only time
// exchanges need that much; events have whole ms.
func (c *SharedClock) NowUs() (us int64, id string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	run := c.clk.Since(c.start)
	ahead := c.wall().Sub(c.start.Round(0)) - run
	if jump := ahead - c.ahead; jump.Abs() > jumpTolerance {
		c.id = access.NewID()
		// A hold went on while the machine slept, and so must its time. A wall
		// clock that was merely set is nothing to anybody in a hold.
		asleep := c.slept()
		c.added += asleep - c.asleep
		c.asleep = asleep
	}
	c.ahead = ahead
	return c.baseUs + (run + c.added).Microseconds(), c.id
}

// NowMs gives shared time in whole Unix ms.
func (c *SharedClock) NowMs() int64 {
	us, _ := c.NowUs()
	return us / 1000
}
