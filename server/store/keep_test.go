package store

import (
	"testing"

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
