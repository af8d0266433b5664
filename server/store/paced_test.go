package store

import (
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that an event which comes alone is committed at once, and that others
// are gathered for a moment after several came together.
func TestPacedCommits(t *testing.T) {
	mock := clock.NewMock()
	disk := &fakeDisk{}
	s, err := Open(t.TempDir(), now, Paced(mock), Files(disk.wrap))
	require.NoError(t, err)
	defer s.Close()
	n := 0
	stored := make(chan []Outcome, 9)
	send := func(count int) {
		for range count {
			n++
			s.Append("p1", []protocol.Event{event(t, "aaaaaaaaaa", n, "look", nowMs)}, func(o []Outcome, err error) { stored <- o })
		}
	}
	for range 5 {
		send(1)
		require.Equal(t, []Outcome{Stored}, <-stored)
	}

	inside, free := disk.hold()
	send(1)
	<-inside // what comes now is for the next write
	send(2)
	slow, free2 := disk.hold()
	close(free)
	<-slow
	mock.Add(time.Second)
	close(free2)
	for range 3 {
		require.Equal(t, []Outcome{Stored}, <-stored)
	}
	send(1)
	waited := time.Duration(0)
	require.Eventually(t, func() bool {
		if len(stored) > 0 {
			return true
		}
		mock.Add(longestGather / 10)
		waited += longestGather / 10
		return false
	}, 10*time.Second, time.Millisecond)
	require.GreaterOrEqual(t, waited, longestGather)
	require.Equal(t, []Outcome{Stored}, <-stored)
}
