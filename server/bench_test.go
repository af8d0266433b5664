package server

import (
	"bytes"
	"fmt"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// How much the server can bear, as ratios to floors of the same run. They are
// printed, and nothing fails on a slow machine but the loss of an event:
//
//	go test ./server -run '^$' -bench Load -benchtime 1x

// BenchmarkLoadLow measures an event's way from one phone to the other, stored
// before it is shared, against a relay and a write to the disk.
func BenchmarkLoadLow(b *testing.B) {
	const events = 300
	server := startChild(b, "server", b.TempDir(), "2")
	phones := dialPhones(b, server.at, 0, 2, false)
	arrived := make(chan time.Duration, events)
	go func() {
		for {
			frame, err := phones[1].read()
			if err != nil {
				return
			}
			if sent := sentAt(frame); sent > 0 {
				arrived <- time.Duration(time.Now().UnixNano() - sent)
			}
		}
	}()
	go drain(phones[0], nil)
	// In turn, so that whatever else the machine and its disk do befalls all alike.
	var ours, theirs, disk []time.Duration
	fsync := newFsync(b, 4096)
	relay := startChild(b, "relay")
	syscall.Sync()
	a, err := dialRelay(relay.at, 0)
	require.NoError(b, err)
	defer a.conn.Close()
	c, err := dialRelay(relay.at, 1)
	require.NoError(b, err)
	defer c.conn.Close()
	for range events {
		time.Sleep(10 * time.Millisecond)
		require.NoError(b, phones[0].write(phones[0].event("look")))
		ours = append(ours, <-arrived)
		message := phones[0].event("look")
		phones[0].count--
		begun := time.Now()
		require.NoError(b, a.write(message))
		_, err := c.read()
		require.NoError(b, err)
		theirs = append(theirs, time.Since(begun))
		time.Sleep(10 * time.Millisecond)
		disk = append(disk, fsync())
	}
	floor := at(.5, theirs) + at(.5, disk)
	b.Logf("an event from phone to phone: p50 %s, p99 %s; relay %s + disk %s = %s", ms(at(.5, ours)), ms(at(.99, ours)), ms(at(.5, theirs)), ms(at(.5, disk)), ms(floor))
	report(b, "event-over-floor", float64(at(.5, ours))/float64(floor), 1.4)
}

// drain reads all that comes to a phone, and counts what is stored.
func drain(p *phone, kept *atomic.Int64) {
	for {
		frame, err := p.read()
		if err != nil {
			return
		}
		if kept != nil {
			kept.Add(int64(stored(frame)))
		}
	}
}

func report(b *testing.B, name string, ratio, goal float64) {
	b.ReportMetric(ratio, name)
	b.Logf("%s: %.2f (at most %g)", name, ratio, goal)
}

// BenchmarkLoadFull has 5,000 pairs record an event a second each while clocks
// are exchanged, in three rounds. Each has floors of its own, measured right after
// it, since a machine is not as fast at one time as at another; the middle one of
// the three ratios is reported.
func BenchmarkLoadFull(b *testing.B) {
	const pairs, seconds, probes, rounds = 5_000, 10, 10, 3
	server := startChild(b, "server", b.TempDir(), fmt.Sprint(2*pairs+probes))
	phones := dialPhones(b, server.at, 0, 2*pairs, true)
	defer debug.SetGCPercent(debug.SetGCPercent(-1)) // what makes the load shall not stand still meanwhile
	var kept, got atomic.Int64
	var mu sync.Mutex
	var took []time.Duration
	for n := range pairs {
		go drain(phones[2*n], &kept)
		go func() {
			for {
				frame, err := phones[2*n+1].read()
				if err != nil {
					return
				}
				if sent := sentAt(frame); sent > 0 {
					late := time.Duration(time.Now().UnixNano() - sent)
					got.Add(1)
					mu.Lock()
					took = append(took, late)
					mu.Unlock()
				}
			}
		}()
	}
	relay := startChild(b, "relay")
	sender := startChild(b, "relay-sender", relay.at, fmt.Sprint(pairs), fmt.Sprint(seconds))
	askers := startChild(b, "clock-askers", server.at, fmt.Sprint(2*pairs), fmt.Sprint(probes))
	relayAskers := startChild(b, "relay-askers", relay.at, fmt.Sprint(2*pairs), fmt.Sprint(probes))
	relayCPU := func(what string) time.Duration {
		before, _, _ := relay.usage("cpu")
		send := func() { sender.usage(what) }
		if what == "events and clocks" {
			clocksAsked(relayAskers, send)
		} else {
			send()
		}
		after, _, _ := relay.usage("cpu")
		return (after - before) / (pairs * seconds)
	}
	// These phones send no heartbeats, so that their pairs are told once that they
	// are stale and once that they are lost: after this time nobody is told any more.
	time.Sleep(14 * time.Second)
	var ratios [5][]float64
	for round := range rounds {
		idleP50, idleP99 := clocksAsked(askers, func() { time.Sleep(seconds * time.Second) })
		took = nil     // nobody sends
		syscall.Sync() // what was written before shall not be waited for, such as this program as it was built
		if round == rounds-1 {
			fmt.Fprintln(server.in, "profile")
		}
		before, _, _ := server.usage("cpu")
		loadBefore := cpuNs()
		busyP50, busyP99 := clocksAsked(askers, func() {
			paced(pairs, seconds, func(n, second int) {
				phones[2*n].write(phones[2*n].event("look"))
				if (n+second)%5 == 0 { // beside those that every phone makes anyhow
					phones[2*n+1].write(timeExchange)
				}
			})
		})
		all := int64((round + 1) * pairs * seconds)
		require.Eventually(b, func() bool { return kept.Load() == all && got.Load() == all }, 30*time.Second, 10*time.Millisecond, "events were lost")
		load := time.Duration(cpuNs()-loadBefore) / (pairs * seconds)
		after, _, _ := server.usage("settle") // with the work that is put off until fewer come
		perEvent := (after - before) / (pairs * seconds)
		runtime.GC()

		relayPerEvent, eventsAlone := relayCPU("events and clocks"), relayCPU("events")
		// What is waiting when a commit begins goes into it; a floor commit writes as much.
		disk := fsyncs(b, 300, 16<<10, 10*time.Millisecond)
		alone := groupCommits(b, pairs, seconds/2, 512)
		b.Logf("round %d: %d events from phone to phone: p50 %s, p99 %s; disk p50 %s, p99 %s", round+1, pairs*seconds, ms(at(.5, took)), ms(at(.99, took)), ms(at(.5, disk)), ms(at(.99, disk)))
		b.Logf("as many events that only wait for the disk: p50 %s, p99 %s", ms(at(.5, alone)), ms(at(.99, alone)))
		b.Logf("CPU an event: %s; relay %s, with events alone %s (%.2f); what makes the load %s", perEvent, relayPerEvent, eventsAlone, float64(perEvent)/float64(eventsAlone), load)
		b.Logf("clock answers: idle p50 %s, p99 %s; under load p50 %s, p99 %s", ms(idleP50), ms(idleP99), ms(busyP50), ms(busyP99))
		for i, ratio := range []float64{
			float64(at(.5, took)) / float64(at(.5, disk)), float64(at(.99, took)) / float64(at(.5, disk)),
			float64(perEvent) / float64(relayPerEvent), float64(busyP99) / float64(idleP99),
			float64(at(.99, took)) / float64(at(.99, alone)),
		} {
			ratios[i] = append(ratios[i], ratio)
		}
	}
	report(b, "p50-over-commit", middle(ratios[0]), 2)
	report(b, "p99-over-commit", middle(ratios[1]), 4)
	report(b, "cpu-over-relay", middle(ratios[2]), 3)
	report(b, "clock-p99-over-idle", middle(ratios[3]), 2)
	// Not asked of the server: it tells whether a p99 is its own, or that of a disk which
	// is held up now and then.
	b.ReportMetric(middle(ratios[4]), "p99-over-disk-alone")
}

// middle gives the median.
func middle(ratios []float64) float64 { return slices.Sorted(slices.Values(ratios))[len(ratios)/2] }

// clocksAsked has phones exchange clocks while something else goes on, and gives how
// long the answers took.
func clocksAsked(askers *child, meanwhile func()) (p50, p99 time.Duration) {
	fmt.Fprintln(askers.in, "ask")
	meanwhile()
	fmt.Fprintln(askers.in, "stop")
	took := askers.answer("took")
	return nanoseconds(took[0]), nanoseconds(took[1])
}

func nanoseconds(word string) time.Duration {
	n, _ := strconv.ParseInt(word, 10, 64)
	return time.Duration(n)
}

// paced has each of n senders do something once a second, spread evenly.
func paced(n, seconds int, do func(n, second int)) {
	begun := time.Now()
	for second := range seconds {
		for i := range n {
			due := begun.Add(time.Duration(second)*time.Second + time.Duration(i)*time.Second/time.Duration(n))
			if wait := time.Until(due); wait > time.Millisecond {
				time.Sleep(wait)
			}
			do(i, second)
		}
	}
}

// BenchmarkLoadIdle measures what a phone costs that only keeps its link.
func BenchmarkLoadIdle(b *testing.B) {
	const phones = 2_000
	server := startChild(b, "server", b.TempDir(), fmt.Sprint(phones))
	_, bytesBefore, before := server.usage("usage")
	dialPhones(b, server.at, 0, phones, true)
	time.Sleep(time.Second)
	_, bytesAfter, after := server.usage("usage")
	report(b, "KB-a-phone", float64(bytesAfter-bytesBefore)/phones/1024, 25)
	report(b, "goroutines-a-phone", float64(after-before)/phones, 2)
}

// BenchmarkLoadReturn kills the server in the holds of a hundred pairs and
// measures how soon all their phones are live again, in the same holds.
func BenchmarkLoadReturn(b *testing.B) {
	const phones, eventsEach = 200, 40
	dir := b.TempDir()
	server := startChild(b, "server", dir, fmt.Sprint(phones))
	var kept atomic.Int64
	sent := make([][][]byte, phones) // by the buddies
	for _, p := range dialPhones(b, server.at, 0, phones, true) {
		go drain(p, &kept)
		if p.n%2 == 0 {
			for i := range eventsEach {
				sent[p.n] = append(sent[p.n], bytes.Clone(p.event([]string{"start", "look"}[min(i, 1)])))
				require.NoError(b, p.write(sent[p.n][i]))
			}
		}
	}
	require.Eventually(b, func() bool { return kept.Load() == phones/2*eventsEach }, time.Minute, 10*time.Millisecond)
	server.kill()
	server = startChild(b, "server", dir, "0")
	begun := time.Now()
	var wg sync.WaitGroup
	var missing atomic.Int64
	welcomes := make([][]byte, phones)
	for n := range phones {
		wg.Go(func() {
			p, err := dialPhone(server.at, n)
			if err != nil {
				missing.Add(1)
				return
			}
			welcomes[n] = p.welcome
			p.ws.Close()
		})
	}
	wg.Wait()
	took := time.Since(begun)
	require.Zero(b, missing.Load(), "phones that did not come back")
	soon := begun.UnixMilli() + 5_000
	for n, welcome := range welcomes {
		hold := loadDevice(n&^1) + "-h01"
		require.Equal(b, foldOf(b, hold, soon, sent[n&^1]...), foldOf(b, hold, soon, welcome), "the hold of phone %d", n)
	}
	b.Logf("%d phones live again after %s", phones, ms(took))
	report(b, "s-to-return", took.Seconds(), 3)
}
