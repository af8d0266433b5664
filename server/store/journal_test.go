package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// fileSuffixes name the files of a data folder, after the data file's name.
var fileSuffixes = []string{"", "-wal", journalSuffixes[0], journalSuffixes[1]}

// files reads a data folder as it is now, as a kill would leave it.
func files(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	// The journal first: what is folded in meanwhile is there twice, and not missing.
	for _, suffix := range slices.Backward(fileSuffixes) {
		content, err := os.ReadFile(filepath.Join(dir, FileName+suffix))
		if !errors.Is(err, os.ErrNotExist) {
			require.NoError(t, err)
			all[suffix] = content
		}
	}
	return all
}

// laid puts such files into a folder of their own.
func laid(t testing.TB, all map[string][]byte) (dir string) {
	t.Helper()
	dir = t.TempDir()
	for suffix, content := range all {
		require.NoError(t, os.WriteFile(filepath.Join(dir, FileName+suffix), content, 0o600))
	}
	return dir
}

// restarted opens a folder with these files; damaged tells that it was refused.
func restarted(t testing.TB, all map[string][]byte) (got []string, damaged bool) {
	t.Helper()
	s, err := Open(laid(t, all), now)
	if err != nil {
		var d *DamagedError
		require.ErrorAs(t, err, &d)
		for suffix, want := range all {
			aside, err := os.ReadFile(d.Aside + suffix)
			require.NoError(t, err)
			require.True(t, bytes.Equal(want, aside), "what is damaged was written to")
		}
		r, err := Inspect(context.Background(), d.Aside)
		require.NoError(t, err)
		require.False(t, r.Sound(), "verify finds it too")
		return nil, true
	}
	defer s.Close()
	n, err := s.Verify(context.Background())
	require.NoError(t, err)
	got = bodies(t, s, "p1", "aaaaaaaaaa", "bbbbbbbbbb")
	require.EqualValues(t, len(got), n)
	return got, false
}

// reopened opens what a kill would leave of a folder.
func reopened(t testing.TB, dir string) (got []string, damaged bool) {
	t.Helper()
	return restarted(t, files(t, dir))
}

// aJournal gives the files of a killed program whose newest events are in both
// files of its journal, and the events' texts.
func aJournal(t testing.TB) (all map[string][]byte, want []string) {
	t.Helper()
	dir := t.TempDir()
	disk := &fakeDisk{}
	s, err := Open(dir, now, FoldLater(clock.NewMock()), Files(disk.wrap))
	require.NoError(t, err)
	defer s.Close()
	session, err := s.ContinueSession("s1", 1)
	require.NoError(t, err)
	_, err = s.AddPair("p1", session.ID)
	require.NoError(t, err)
	store := func(from, to int) {
		for n := from; n <= to; n++ {
			e := event(t, "aaaaaaaaaa", n, "note", nowMs+int64(n))
			e.Raw = []byte(strings.Replace(string(e.Raw), `"data":{`, `"data":{"text":"`+strings.Repeat("y", n*700)+`",`, 1))
			s.append(t, "p1", e)
		}
	}
	store(1, 9)
	require.NoError(t, s.Settle(t.Context()))
	store(10, 12)
	lock, err := openDB(filepath.Join(dir, FileName), "rw")
	require.NoError(t, err)
	tx, err := lock.Begin()
	require.NoError(t, err)
	s.mu.Lock()
	s.settling = append(s.settling, make(chan error, 1))
	s.mu.Unlock()
	s.arrivals.poke()
	require.Eventually(t, func() bool { // the fold waits then, and what comes goes into the other file
		s.mu.Lock()
		defer s.mu.Unlock()
		return len(s.settling) == 0
	}, 10*time.Second, time.Millisecond)
	store(13, 16)
	all = files(t, dir)
	require.NoError(t, tx.Rollback())
	require.NoError(t, lock.Close())
	return all, bodies(t, s, "p1", "aaaaaaaaaa")
}

// Ensures that what was stored is there after a kill, wherever it was then, and
// that `verify` sees it where it is.
func TestH08JournalOfAKilledProgram(t *testing.T) {
	all, want := aJournal(t)
	dir := laid(t, all)
	before := inspect(t, dir)
	require.True(t, before.Sound(), before.Findings)
	require.Equal(t, &Report{Events: int64(len(want)), Holds: 1, Pairs: 1, LastStoredMs: nowMs}, before)
	s := open(t, dir)
	require.Equal(t, want, bodies(t, s, "p1", "aaaaaaaaaa"))
	require.NoError(t, s.Close())
	for _, suffix := range journalSuffixes {
		require.NoFileExists(t, filepath.Join(dir, FileName+suffix), "closed, the data file is whole by itself")
	}
	require.Equal(t, before, inspect(t, dir))
}

// Ensures that a journal with any byte changed is noticed or harmless, but for its
// last record, which a power cut could have left just so.
func TestH20FlippedBytesInTheJournal(t *testing.T) {
	all, want := aJournal(t)
	noticed := 0
	for _, suffix := range journalSuffixes {
		content := all[suffix]
		for i := 0; i < len(content); i += stride(3989) {
			spoilt := map[string][]byte{"": all[""], "-wal": all["-wal"], journalSuffixes[0]: all[journalSuffixes[0]], journalSuffixes[1]: all[journalSuffixes[1]]}
			spoilt[suffix] = slices.Clone(content)
			spoilt[suffix][i] ^= 1 << (i % 8)
			got, damaged := restarted(t, spoilt)
			if damaged {
				noticed++
				continue
			}
			require.GreaterOrEqual(t, len(got), len(want)-1, "%s %d", suffix, i)
			require.Equal(t, want[:len(got)], got, "%s %d", suffix, i)
		}
	}
	require.Greater(t, noticed, 5)
}

// Ensures that the last record alone is given up where its end never reached the
// disk, whatever stands there.
func TestH08JournalOfAPowerCut(t *testing.T) {
	all, want := aJournal(t)
	active := journalSuffixes[0]
	content := all[active]
	last := bytes.LastIndex(content[:bytes.Index(content, []byte(want[len(want)-1]))], []byte(recordMagic))
	require.Zero(t, last%blockBytes)
	for n := last + 1; n < len(content); n += stride(4703) {
		for _, rest := range [][]byte{nil, make([]byte, len(content)-n), bytes.Repeat([]byte{0xff}, len(content)-n)} {
			cut := map[string][]byte{"": all[""], "-wal": all["-wal"], journalSuffixes[1]: all[journalSuffixes[1]]}
			cut[active] = slices.Concat(content[:n], rest)
			got, damaged := restarted(t, cut)
			require.False(t, damaged, n)
			require.GreaterOrEqual(t, len(got), len(want)-1, n)
			require.Equal(t, want[:len(got)], got, n)
		}
	}
}

// Ensures that another data file's journal is not read into this one.
func TestJournalOfAnotherFile(t *testing.T) {
	all, _ := aJournal(t)
	dir := t.TempDir()
	require.NoError(t, open(t, dir).Close())
	other := files(t, dir)
	for _, suffix := range journalSuffixes {
		other[suffix] = all[suffix]
	}
	got, damaged := restarted(t, other)
	require.False(t, damaged)
	require.Empty(t, got)
}

// Ensures that events wait in the journal for a while and are folded in by
// themselves then, also after the data file could not be written to.
func TestFoldedInByItself(t *testing.T) {
	dir := t.TempDir()
	mock := clock.NewMock()
	told := make(chan error, 9)
	s, err := Open(dir, now, FoldLater(mock), Troubled(func(err error) { told <- err }))
	require.NoError(t, err)
	defer s.Close()
	db, err := openDB(filepath.Join(dir, FileName), "rw", "busy_timeout(10000)")
	require.NoError(t, err)
	defer db.Close()
	inFile := func() (n int) {
		require.NoError(t, db.QueryRow("SELECT count(*) FROM event").Scan(&n))
		return n
	}
	for n := range 3 {
		s.append(t, "p1", event(t, "aaaaaaaaaa", n+1, "look", nowMs))
	}
	require.Zero(t, inFile())
	pass := func(want int) {
		t.Helper()
		require.Eventually(t, func() bool { mock.Add(foldAfter / 10); return s.recent.len() == 0 }, 10*time.Second, time.Millisecond)
		require.Equal(t, want, inFile())
	}
	pass(3)

	_, err = db.Exec("CREATE TRIGGER broken BEFORE INSERT ON event BEGIN SELECT RAISE(ABORT, 'no'); END")
	require.NoError(t, err)
	s.append(t, "p1", event(t, "aaaaaaaaaa", 4, "look", nowMs))
	for range 2 {
		require.ErrorContains(t, s.Settle(t.Context()), "cannot write events to the data file")
	}
	require.ErrorContains(t, <-told, "cannot write events to the data file")
	require.Empty(t, told, "said once")
	require.Equal(t, []Outcome{Stored, Known}, s.append(t, "p1", event(t, "aaaaaaaaaa", 5, "look", nowMs), event(t, "aaaaaaaaaa", 4, "look", nowMs)))
	require.Len(t, bodies(t, s, "p1", "aaaaaaaaaa"), 5)
	killed := laid(t, files(t, dir))
	spoil(t, killed, "DROP TRIGGER broken")
	require.Len(t, bodies(t, open(t, killed), "p1", "aaaaaaaaaa"), 5, "nothing that is not in the data file was written over")
	_, err = db.Exec("DROP TRIGGER broken")
	require.NoError(t, err)
	pass(5)
	require.NoError(t, <-told)
	s.append(t, "p1", event(t, "aaaaaaaaaa", 6, "look", nowMs))
	got, damaged := reopened(t, dir)
	require.False(t, damaged)
	require.Len(t, got, 6)
}

// Ensures that what comes in great numbers is folded in once fewer come.
func TestFoldsWaitForCalm(t *testing.T) {
	mock := clock.NewMock()
	s, err := Open(t.TempDir(), now, FoldLater(mock))
	require.NoError(t, err)
	defer s.Close()
	n := 0
	store := func(count int) {
		var events []protocol.Event
		for range count {
			n++
			events = append(events, event(t, "aaaaaaaaaa", n, "look", nowMs))
		}
		s.append(t, "p1", events...)
	}
	// A time that was set before a fold means nothing to what comes after it.
	store(1)
	mock.Add(foldAfter - time.Second)
	require.NoError(t, s.Settle(t.Context()))
	store(1)
	mock.Add(time.Second)
	for range 20 {
		store(1)
	}
	require.Equal(t, 21, s.recent.len())

	store(foldBusy + 1)
	mock.Add(foldAfter)
	for range 20 {
		store(1)
	}
	require.Equal(t, n-1, s.recent.len())
	require.Eventually(t, func() bool { mock.Add(foldAfter); return s.recent.len() == 0 }, 10*time.Second, time.Millisecond)
	stored, err := s.Verify(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, n, stored)
}

// Ensures that an event that was stored before the program was started is known,
// whatever was read of its device.
func TestKnownPastAStart(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	for _, n := range []int{1, 2, 5} {
		s.append(t, "p1", event(t, "aaaaaaaaaa", n, "look", nowMs))
	}
	require.NoError(t, s.Close())
	for _, read := range []bool{false, true} {
		for from := range int64(6) {
			s = open(t, dir)
			if read {
				_, _, err := s.Counters(t.Context(), "aaaaaaaaaa", from)
				require.NoError(t, err)
			}
			require.Equal(t, []Outcome{Known, Conflict, Known}, s.append(t, "p1",
				event(t, "aaaaaaaaaa", 5, "look", nowMs), event(t, "aaaaaaaaaa", 5, "asked", nowMs), event(t, "aaaaaaaaaa", 1, "look", nowMs)))
			require.NoError(t, s.Close())
		}
	}
}

// Ensures that everything a reader can ask for is told alike, whether events are in
// the journal, in the data file, or on their way.
func TestReadersSeeWhatIsOnItsWay(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	ctx := context.Background()
	for round := range 6 {
		slow, err := Open(t.TempDir(), now, FoldLater(clock.NewMock())) // folds when asked only
		require.NoError(t, err)
		quick, err := Open(t.TempDir(), now)
		require.NoError(t, err)
		for step := range 40 {
			pair := fmt.Sprint("p", 1+random.IntN(2))
			device := []string{"aaaaaaaaaa", "bbbbbbbbbb"}[random.IntN(2)]
			kind := []string{"plan", "start", "look", "note"}[random.IntN(4)]
			e := event(t, device, 1+random.IntN(30), kind, nowMs+int64(random.IntN(5)))
			hold := []string{"h1", "h2", "x-h00"}[random.IntN(3)]
			e.Hold, e.Raw = hold, []byte(strings.Replace(string(e.Raw), `"h1"`, `"`+hold+`"`, 1))
			require.Equal(t, quick.append(t, pair, e), slow.append(t, pair, e))
			require.NoError(t, quick.Settle(ctx))
			if random.IntN(8) == 0 {
				require.NoError(t, slow.Settle(ctx))
			}
			if random.IntN(20) == 0 {
				for _, s := range []*Store{quick, slow} {
					_, err := s.Erase(ctx, []HoldRef{{pair, "h2"}}, []string{e.ID}, nil)
					require.NoError(t, err)
				}
			}
			ask := func(s *Store) (all []any) {
				say := func(v any, err error) {
					require.NoError(t, err)
					all = append(all, v)
				}
				for _, pair := range []string{"p1", "p2"} {
					for _, hold := range []string{"h1", "h2"} {
						events, err := s.Hold(ctx, pair, hold)
						say(events, err)
					}
					missing, err := s.Missing(ctx, pair, []string{"aaaaaaaaaa", "bbbbbbbbbb"}, Counts{Have: map[string]int64{"aaaaaaaaaa": 4}})
					say(missing, err)
					outside, err := s.OutsideHolds(ctx, pair)
					say(outside, err)
					newest, err := s.NewestHold(ctx, pair)
					say(newest, err)
					plan, err := s.NewestPlan(ctx, pair)
					say(plan, err)
					has, err := s.Has(ctx, pair, &e)
					say(has, err)
				}
				for _, device := range []string{"aaaaaaaaaa", "bbbbbbbbbb"} {
					n, beyond, err := s.Counters(ctx, device, int64(step%3))
					say(n, err)
					say(beyond, nil)
				}
				filed, err := s.FiledEvent(ctx, e.ID)
				say(filed, err)
				return all
			}
			require.Equal(t, ask(quick), ask(slow), "round %d step %d", round, step)
		}
		counts, err := slow.EventCounts(ctx, "")
		require.NoError(t, err)
		same, err := quick.EventCounts(ctx, "")
		require.NoError(t, err)
		require.Equal(t, same, counts)
		require.NoError(t, slow.Close())
		require.NoError(t, quick.Close())
	}
}

// Ensures that what was acknowledged is there once after a kill at any moment, while
// many store, read, and have it folded in.
func TestH08KilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	disk := &fakeDisk{}
	s, err := Open(dir, now, Files(disk.wrap))
	require.NoError(t, err)
	defer s.Close()
	ctx, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	var mu sync.Mutex
	acknowledged := map[string]bool{}
	for _, device := range []string{"aaaaaaaaaa", "bbbbbbbbbb"} {
		wg.Go(func() {
			for n := 1; n <= 800 && ctx.Err() == nil; n++ {
				e := event(t, device, n, "look", nowMs)
				if outcomes, err := s.tryAppend("p1", e); err != nil || outcomes[0] != Stored {
					t.Error(outcomes, err)
					return
				}
				mu.Lock()
				acknowledged[string(e.Raw)] = true
				mu.Unlock()
			}
		})
	}
	wg.Go(func() {
		for ctx.Err() == nil {
			if err := s.Settle(ctx); err != nil && ctx.Err() == nil {
				t.Error(err)
			}
		}
	})
	defer wg.Wait()
	defer stop()
	for range 8 {
		mu.Lock()
		want := make([]string, 0, len(acknowledged))
		for body := range acknowledged {
			want = append(want, body)
		}
		mu.Unlock()
		var all map[string][]byte
		// In the committer's place and with the journal at rest, so that all files are
		// copied as of one instant.
		require.NoError(t, s.do(func(*writer) error {
			disk.writing.Lock()
			defer disk.writing.Unlock()
			all = files(t, dir)
			return nil
		}))
		got, damaged := restarted(t, all)
		require.False(t, damaged)
		there := map[string]bool{}
		for _, body := range got {
			require.False(t, there[body], "nothing twice")
			there[body] = true
		}
		for _, body := range want {
			require.True(t, there[body], body)
		}
	}
}

// Ensures that nothing of an erased event is left in any file.
func TestErasedEventsLeaveTheJournal(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, now, FoldLater(clock.NewMock()))
	require.NoError(t, err)
	defer s.Close()
	secret := privateEvent(t)
	find := func() (found int) {
		for _, content := range files(t, dir) {
			found += bytes.Count(content, []byte("a very private word"))
		}
		return found
	}
	s.append(t, "p1", secret, event(t, "aaaaaaaaaa", 2, "look", nowMs))
	require.Equal(t, 1, find())
	require.NoError(t, s.Settle(t.Context()))
	s.append(t, "p1", event(t, "aaaaaaaaaa", 3, "look", nowMs))
	require.Greater(t, find(), 1, "still in the journal, and in the file")
	n, err := s.Erase(t.Context(), nil, []string{secret.ID}, nil)
	require.NoError(t, err)
	require.EqualValues(t, 1, n)
	require.Zero(t, find())
	require.Equal(t, []Outcome{Erased}, s.append(t, "p1", secret))
	require.Equal(t, []Outcome{Stored}, s.append(t, "p1", event(t, "aaaaaaaaaa", 4, "look", nowMs)))
	got, _ := reopened(t, dir)
	require.Len(t, got, 3)
}
