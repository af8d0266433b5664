package access

import (
	"strings"
	"sync"
	"time"

	"github.com/benbjohnson/clock"
)

const (
	codeLength = 6
	// CodeLife is how long a typed code opens the session.
	CodeLife = 10 * time.Minute
	// codeFresh is the least a code must still be good for when it is shown.
	codeFresh = 2 * time.Minute
	// maxWrong is how many wrong codes are taken in all before those in force
	// are void: one in 32^6 is then hit with a chance below 1 in 30 million.
	maxWrong = 30
)

// Codes are the typed way into a session. A code exists only from the moment
// somebody asks to see one.
type Codes struct {
	clk clock.Clock

	mu    sync.Mutex
	live  []code // oldest first; at most the one shown now and the one before it
	wrong int    // wrong tries since the newest code was made
}

type code struct {
	signs string
	until time.Time
}

// NewCodes makes an empty set of codes.
func NewCodes(clk clock.Clock) *Codes { return &Codes{clk: clk} }

// Show gives the code to type and how long it is good for. It makes a new one
// where none is in force or the newest is about to end.
func (c *Codes) Show() (signs string, left time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.clk.Now()
	c.prune(now)
	if n := len(c.live); n == 0 || c.live[n-1].until.Sub(now) < codeFresh {
		c.live = append(c.live, code{strings.ToUpper(randomSigns(codeLength)), now.Add(CodeLife)})
		c.wrong = 0
	}
	newest := c.live[len(c.live)-1]
	return newest.signs, newest.until.Sub(now)
}

// Try tells whether a code that somebody typed is in force. Case, spaces and
// dashes do not matter, nor letters mistaken for digits.
func (c *Codes) Try(typed string) bool {
	signs := normalize(typed)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.prune(c.clk.Now())
	for _, one := range c.live {
		if Same(one.signs, signs) {
			return true
		}
	}
	if c.wrong++; c.wrong >= maxWrong {
		c.live = nil
	}
	return false
}

// Void ends all codes in force.
func (c *Codes) Void() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.live = nil
}

func (c *Codes) prune(now time.Time) {
	for len(c.live) > 0 && !now.Before(c.live[0].until) {
		c.live = c.live[1:]
	}
}

func normalize(typed string) string {
	return strings.NewReplacer(" ", "", "-", "", "I", "1", "L", "1", "O", "0").Replace(strings.ToUpper(typed))
}
