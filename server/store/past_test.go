package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that no file that is imported moves the time from which shared time goes on, nor ends or prolongs the outing that is
// held here: neither by what came long ago, nor by an outing that began later, nor by events of the very outing.
func TestH08AnImportDoesNotTellTheTime(t *testing.T) {
	const day = int64(86_400_000)
	at := nowMs
	s, err := Open(t.TempDir(), func() int64 { return at })
	require.NoError(t, err)
	defer s.Close()
	own, err := s.ContinueSession("session001", day/2)
	require.NoError(t, err)
	_, err = s.AddPair("p1", own.ID)
	require.NoError(t, err)
	require.NoError(t, s.Admit(Device{ID: "aaaaaaaaaa", Session: own.ID, Pair: "p1", Role: "buddy"}, []byte("hash")))
	at += 1_000
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "look", at))
	last := at
	at += 60_000
	for i, started := range []int64{5, nowMs - 300*day, nowMs + 500, nowMs + 20*day} {
		other := Session{ID: "other" + string(rune('a'+i)), StartedMs: started}
		require.NoError(t, s.AddPast(other, []PastPair{{Pair: Pair{ID: "p" + other.ID, Session: other.ID, Number: 1}, MadeMs: 5}}))
		for j, pair := range []string{"p" + other.ID, "p1"} {
			for _, device := range []string{"aaaaaaaaaa", "bbbbbbbbbb"} {
				e := event(t, device, 2*i+j+2, "look", nowMs-300*day)
				outcomes, err := s.Import([]Filed{{Pair: pair, StoredMs: nowMs - 300*day + int64(i), Event: e}}, false)
				require.NoError(t, err)
				require.Equal(t, []Outcome{Stored}, outcomes)
			}
		}
		got, err := s.LastMs(t.Context())
		require.NoError(t, err)
		require.Equal(t, last, got, "outing of %d", started)
		again, err := s.ContinueSession("session002", day/2)
		require.NoError(t, err)
		require.Equal(t, own, again)
	}
	// An outing of a day ago ends, however new what was imported meanwhile is.
	at += day
	_, err = s.Import([]Filed{{Pair: "pothera", StoredMs: at, Event: event(t, "bbbbbbbbbb", 90, "look", at)}}, false)
	require.NoError(t, err)
	again, err := s.ContinueSession("session002", day/2)
	require.NoError(t, err)
	require.Equal(t, "session002", again.ID)
}

// Ensures that what lies ahead of shared time by more than a device's event may is taken out of no file, and that what was
// erased does not come back by it.
func TestH08NothingIsImportedFromTheFuture(t *testing.T) {
	s := open(t, t.TempDir())
	require.NoError(t, s.AddPast(Session{ID: "other", StartedMs: 5}, []PastPair{{Pair: Pair{ID: "p1", Session: "other", Number: 1}, MadeMs: 5}}))
	n := 0
	filed := func(kind string, at, storedMs int64) (Outcome, protocol.Event) {
		n++
		e := event(t, "bbbbbbbbbb", n, kind, at)
		outcomes, err := s.Import([]Filed{{Pair: "p1", StoredMs: storedMs, Event: e}}, false)
		require.NoError(t, err)
		return outcomes[0], e
	}
	for _, c := range []struct {
		kind         string
		at, storedMs int64
		want         Outcome
	}{
		{"look", nowMs + 2_000, nowMs + 2_000, Stored},
		{"look", nowMs + 2_001, nowMs, Ahead},
		{"look", nowMs, nowMs + 2_001, Ahead},
		{"look", nowMs, nowMs + 20*3_600_000, Ahead},
		{"look", 0, protocol.MaxWhole, Ahead},
		{"start", nowMs + 60_000, nowMs, Stored},
		{"start", nowMs + 60_000, nowMs + 60_000, Stored}, // as a phone's file has it
		{"start", nowMs + 60_001, nowMs, Ahead},
	} {
		got, e := filed(c.kind, c.at, c.storedMs)
		require.Equal(t, c.want, got, "%+v", c)
		has, err := s.Has(t.Context(), "p1", &e)
		require.NoError(t, err)
		require.Equal(t, c.want == Stored, has)
	}
	_, gone := filed("look", nowMs, nowMs)
	_, err := s.Erase(t.Context(), nil, []string{gone.ID}, nil)
	require.NoError(t, err)
	outcomes, err := s.Import([]Filed{{Pair: "p1", StoredMs: nowMs + 3_600_000, Event: gone}}, true)
	require.NoError(t, err)
	require.Equal(t, []Outcome{Ahead}, outcomes)
	require.Equal(t, []Outcome{Erased}, s.append(t, "p1", gone))
}
