package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"

	"buddyclock/cmd/buddyclock/demo"
	"buddyclock/server/store"
)

const (
	// demoAddr keeps to this machine, and has a port of its own: a browser keeps
	// what it stores apart by address and port, and so from any real outing.
	demoAddr = "127.0.0.1:8470"
	// maxSpeed keeps the shortest hold of the outing above the least that a plan can have.
	maxSpeed = 10
)

// demoOptions are the flags of `buddyclock demo`.
type demoOptions struct {
	addr, data string
	speed      float64
}

func (m *Main) demoFlags(args []string) (o demoOptions, code int, ok bool) {
	flags := flag.NewFlagSet("buddyclock demo", flag.ContinueOnError)
	flags.StringVar(&o.addr, "addr", demoAddr, "listen on this `address`; :8470 lets other devices in")
	flags.StringVar(&o.data, "data", "", "keep the invented data in this `folder`, which must be empty, new or of an earlier demo (default: a folder that is removed at the end)")
	flags.Float64Var(&o.speed, "speed", 1, fmt.Sprintf("how much faster than in life the people dive and rest, 1 to %d; clocks, checks and alarms stay as they are", maxSpeed))
	const head = "buddyclock demo [-speed N] [-addr ADDRESS] [-data DIR]\n\nAn outing of simulated people, to see the board and the pages alive."
	if _, code, ok = m.command(flags, args, 0, head); !ok {
		return o, code, false
	}
	if !(o.speed >= 1 && o.speed <= maxSpeed) {
		return o, m.misused(flags, head, fmt.Errorf("-speed goes from 1 to %d", maxSpeed)), false
	}
	return o, exitOK, true
}

// demo runs an outing of simulated people until ctx ends.
func (m *Main) demo(ctx context.Context, args []string) int {
	o, code, ok := m.demoFlags(args)
	if !ok {
		return code
	}
	if err := m.runDemo(ctx, o); err != nil {
		return m.fail(err)
	}
	return exitOK
}

func (m *Main) runDemo(ctx context.Context, o demoOptions) (err error) {
	kept := o.data != ""
	if !kept {
		if o.data, err = os.MkdirTemp("", "buddyclock-demo-"); err != nil {
			return fmt.Errorf("no folder for the invented data can be made: %w", err)
		}
		defer func() {
			if gone := os.RemoveAll(o.data); gone != nil {
				err = errors.Join(err, fmt.Errorf("the invented data could not be removed: %w", gone))
			}
		}()
	}
	seed := rand.Uint64()
	fresh, err := demo.Mark(o.data)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var people sync.WaitGroup
	err = m.runServer(ctx, serveOptions{addr: o.addr, data: o.data, demo: func(s Started, st *store.Store) {
		// Only then, and beside what goes on: weeks of holds take a slow machine a while to write.
		remember := func() {
			if err := demo.Remember(st, m.Clock.Now().UnixMilli(), o.speed, seed); err != nil && ctx.Err() == nil {
				cancel(err)
			}
		}
		outing := &demo.Outing{Clock: m.Clock, URL: s.URL, Secret: secretIn(s.JoinURL), InstructorSecret: secretIn(s.InstructorURL), Pace: o.speed, Seed: seed}
		people.Go(func() {
			err := outing.Run(ctx, func() {
				m.showDemo(s, o, kept)
				if fresh {
					people.Go(remember)
				}
			})
			if err != nil {
				cancel(fmt.Errorf("the simulated people cannot go on: %w", err))
			}
		})
	}})
	cancel(nil)
	people.Wait()
	if cause := context.Cause(ctx); err == nil && !errors.Is(cause, context.Canceled) {
		err = cause
	}
	return err
}

// secretIn gives the secret in a link by which people join.
func secretIn(link string) string {
	_, secret, _ := strings.Cut(link, "=")
	return secret
}

// showDemo prints the links. A browser takes one address for one device, so that
// board and phone side by side need two names of this machine.
func (m *Main) showDemo(s Started, o demoOptions, kept bool) {
	page := s.JoinURL
	if u, err := url.Parse(page); err == nil {
		if ip := net.ParseIP(u.Hostname()); ip != nil && ip.IsLoopback() {
			u.Host = net.JoinHostPort("localhost", u.Port())
			page = u.String()
		}
	}
	fmt.Fprintf(m.Stdout, "An outing of SIMULATED PEOPLE: six pairs dive, and not all goes well.\n\n")
	fmt.Fprintf(m.Stdout, "The board:        %s\n", s.InstructorURL)
	fmt.Fprintf(m.Stdout, "With a pair:      %s\n                  choose pair 1, and `siren` or `buddy`: their own phones make no sound\n\n", page)
	if o.speed != 1 {
		fmt.Fprintf(m.Stdout, "The people dive and rest %g times as fast as in life. Clocks, checks and alarms are the real ones.\n", o.speed)
	}
	if kept {
		fmt.Fprintf(m.Stdout, "What they do is kept in %s\n", o.data)
	}
	fmt.Fprint(m.Stdout, "Ctrl-C ends.\n")
}
