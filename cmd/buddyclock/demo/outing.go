package demo

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/protocol"
)

// tickEvery is how often people look up. Their presses have times of their own.
const tickEvery = 100 * time.Millisecond

// Outing is an outing of simulated people on a running server.
type Outing struct {
	Clock            clock.Clock
	URL              string // of the server's pages, such as http://127.0.0.1:8080
	Secret           string // that lets members in
	InstructorSecret string
	Pace             float64 // 1 is that of life
	Seed             uint64  // what chance there is comes from it

	cast []part   // who comes; nil is everybody
	all  []phones // by pair, once they are in
}

// phones are those of one pair.
type phones struct{ buddy, diver *Client }

// Run has the people come and makes them dive until ctx ends, which is no
// error. ready is called once all of them are in, before the first hold.
func (o *Outing) Run(ctx context.Context, ready func()) error {
	var running sync.WaitGroup
	defer running.Wait()
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil) // before the wait
	here := func(c *Client) {
		running.Go(func() {
			if err := c.Run(ctx); err != nil {
				cancel(err)
			}
		})
	}
	if o.cast == nil {
		o.cast = cast
	}
	for _, p := range o.cast {
		ph, err := o.arrive(ctx, p)
		if err != nil {
			return stopped(ctx, err)
		}
		o.all = append(o.all, ph)
		here(ph.buddy)
		here(ph.diver)
	}
	board, err := Join(ctx, o.Clock, o.URL, o.InstructorSecret, "", protocol.RoleInstructor, instructorName)
	if err != nil {
		return stopped(ctx, err)
	}
	in := newInstructor(board)
	here(board)
	if err := in.setPlace(ctx); err != nil {
		return stopped(ctx, err)
	}
	clients := []*Client{board}
	for _, p := range o.all {
		clients = append(clients, p.buddy, p.diver)
	}
	for _, c := range clients {
		select {
		case <-c.Synced():
		case <-ctx.Done():
			return stopped(ctx, context.Cause(ctx))
		}
	}
	ready()
	for i, ph := range o.all {
		p := newPair(o.cast[i], ph.buddy, ph.diver, o.Seed+uint64(i), o.Pace)
		p.cut = ph.buddy.Cut
		p.begin(ph.buddy.NowMs())
		running.Go(func() { o.lookUp(ctx, func() { p.step(ph.buddy.NowMs()) }) })
	}
	running.Go(func() { o.lookUp(ctx, func() { in.look(in.NowMs()) }) })
	<-ctx.Done()
	return stopped(ctx, context.Cause(ctx))
}

// lookUp has somebody look up again and again until ctx ends.
func (o *Outing) lookUp(ctx context.Context, look func()) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-o.Clock.After(tickEvery):
			look()
		}
	}
}

// stopped makes an end that was asked for no error.
func stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(context.Cause(ctx), context.Canceled) {
		return nil
	}
	return err
}

// arrive joins the phones of one pair; the buddy makes it.
func (o *Outing) arrive(ctx context.Context, p part) (phones, error) {
	buddy, err := Join(ctx, o.Clock, o.URL, o.Secret, "new", protocol.RoleBuddy, p.Buddy)
	if err != nil {
		return phones{}, err
	}
	diver, err := Join(ctx, o.Clock, o.URL, o.Secret, buddy.Pair(), protocol.RoleDiver, p.Diver)
	return phones{buddy, diver}, err
}
