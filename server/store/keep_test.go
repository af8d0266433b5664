package store

import (
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that an event which comes alone is written at once, and that whatever
// comes while a write goes on shares the next.
func TestWhatComesDuringAWriteSharesTheNext(t *testing.T) {
	disk := &fakeDisk{}
	s, err := Open(t.TempDir(), now, FoldLater(clock.NewMock()), Files(disk.wrap)) // one file of the journal
	require.NoError(t, err)
	defer s.Close()
	n := 0
	stored := make(chan []Outcome, 9)
	send := func() {
		n++
		s.Append("p1", []protocol.Event{event(t, "aaaaaaaaaa", n, "look", nowMs)}, func(o []Outcome, err error) { stored <- o })
	}
	send() // that file gets room
	require.Equal(t, []Outcome{Stored}, <-stored)

	first, free := disk.hold()
	second, freeToo := disk.hold()
	before := disk.writes
	send()
	<-first
	for range 3 {
		send()
	}
	close(free)
	<-second
	close(freeToo)
	for range 4 {
		require.Equal(t, []Outcome{Stored}, <-stored)
	}
	require.Equal(t, before+2, disk.writes)
}

// Ensures that a write which waits for more events does so for a short time only,
// whether any come or not.
func TestNoWriteWaitsLongForMore(t *testing.T) {
	disk, clk := &fakeDisk{}, clock.NewMock()
	s, err := Open(t.TempDir(), now, Gather(clk), Files(disk.wrap))
	require.NoError(t, err)
	defer s.Close()
	n := 0
	stored := make(chan []Outcome, 9)
	send := func() {
		n++
		s.Append("p1", []protocol.Event{event(t, "aaaaaaaaaa", n, "look", nowMs)}, func(o []Outcome, err error) { stored <- o })
	}
	for range 3 {
		inside, free := disk.hold()
		send()
		<-inside
		for range gatherFrom {
			send()
		}
		close(free)
		require.Eventually(t, func() bool { clk.Add(gatherFor); return len(stored) == 1+gatherFrom }, 10*time.Second, time.Millisecond)
		for range 1 + gatherFrom {
			require.Equal(t, []Outcome{Stored}, <-stored)
		}
	}
}

// Ensures that whoever takes from a queue and expects more is woken once as many
// have come, or when poked, and not before.
func TestQueueWakesForEnough(t *testing.T) {
	q := newQueue[int]()
	woken := func() bool {
		select {
		case <-q.wake:
			return true
		default:
			return false
		}
	}
	expect := func(more int) bool { return q.expect(func(int) int { return more }) }
	q.put(1)
	require.True(t, expect(2))
	require.False(t, woken(), "for what it knew of")
	q.put(2)
	require.False(t, woken())
	q.put(3)
	require.True(t, woken())
	q.poke()
	require.True(t, woken())
	q.any()
	q.put(4)
	require.True(t, woken())

	require.False(t, expect(0))
	require.True(t, expect(9))
	q.close()
	require.True(t, woken())
	require.False(t, expect(9), "nothing comes any more")
}

// Ensures that only what comes thick makes a write wait: neither a pool nor a disk
// that has much to write does.
func TestOnlySmallWritesOfManyWait(t *testing.T) {
	for waiting, more := range map[int]int{0: 0, 1: 0, gatherFrom - 1: 0, gatherFrom: gatherMore, gatherMost: gatherMore, gatherMost + 1: 0, 500: 0} {
		require.Equal(t, more, moreToGather(waiting), "%d", waiting)
	}
}
