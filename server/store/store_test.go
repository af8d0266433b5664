package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

const nowMs = int64(1_790_000_000_000)

func now() int64 { return nowMs }

func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(dir, now)
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

// event makes an event of a device that has its own content.
func event(t testing.TB, device string, n int, kind string, at int64) protocol.Event {
	t.Helper()
	e, err := protocol.Decode(fmt.Appendf(nil, `{"id":"%s-%06d","hold":"h1","kind":%q,"at":%d,"err":2,"by":"buddy","data":{"n":%d}}`, device, n, kind, at, n))
	require.NoError(t, err)
	return e
}

// append stores events and waits for the disk.
func (s *Store) append(t testing.TB, pair string, events ...protocol.Event) []Outcome {
	t.Helper()
	outcomes, err := s.tryAppend(pair, events...)
	require.NoError(t, err)
	return outcomes
}

func (s *Store) tryAppend(pair string, events ...protocol.Event) ([]Outcome, error) {
	type result struct {
		outcomes []Outcome
		err      error
	}
	results := make(chan result, 1)
	s.Append(pair, events, func(o []Outcome, err error) { results <- result{o, err} })
	r := <-results
	return r.outcomes, r.err
}

// Ensures that the one writing connection waits for the disk itself, on every system.
func TestWriterIsDurable(t *testing.T) {
	s := open(t, t.TempDir())
	for pragma, want := range map[string]int{"synchronous": 2, "fullfsync": 1, "checkpoint_fullfsync": 1, "secure_delete": 1} {
		var got int
		require.NoError(t, s.do(func(w *writer) error { return w.queryRow("PRAGMA " + pragma).Scan(&got) }))
		require.Equal(t, want, got, pragma)
	}
}

func bodies(t testing.TB, s *Store, pair string, devices ...string) []string {
	t.Helper()
	raw, err := s.Missing(context.Background(), pair, devices, Counts{})
	require.NoError(t, err)
	var out []string
	for _, b := range raw {
		out = append(out, string(b))
	}
	return out
}

// Ensures that events come back byte by byte as they were stored, in their order
// of arrival, also after the file was closed.
func TestEventsComeBack(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	var want []string
	for i, n := range []int{3, 1, 2} {
		for _, device := range []string{"aaaaaaaaaa", "bbbbbbbbbb"} {
			e := event(t, device, n, "look", nowMs+int64(i))
			require.Equal(t, []Outcome{Stored}, s.append(t, "p1", e))
			want = append(want, string(e.Raw))
		}
	}
	require.Equal(t, want, bodies(t, s, "p1", "aaaaaaaaaa", "bbbbbbbbbb"))
	require.Empty(t, bodies(t, s, "p2", "aaaaaaaaaa"))
	require.NoError(t, s.Close())

	s = open(t, dir)
	require.Equal(t, want, bodies(t, s, "p1", "bbbbbbbbbb", "aaaaaaaaaa"))
	theirs := Counts{Have: map[string]int64{"aaaaaaaaaa": 3, "bbbbbbbbbb": 1}}
	for want, beyond := range [][]Run{{{2, 3}}, {{3, 9}}, {{0, 0}, {4, 2}}} {
		theirs.Beyond = map[string][]Run{"bbbbbbbbbb": beyond}
		missing, err := s.Missing(context.Background(), "p1", []string{"aaaaaaaaaa", "bbbbbbbbbb"}, theirs)
		require.NoError(t, err)
		require.Len(t, missing, want)
	}
	n, err := s.Verify(context.Background())
	require.NoError(t, err)
	require.Equal(t, int64(6), n)
}

// Ensures that an id stands for one content, in one pair.
func TestSameIDOtherContentIsAConflict(t *testing.T) {
	s := open(t, t.TempDir())
	e := event(t, "aaaaaaaaaa", 1, "look", nowMs)
	other := event(t, "aaaaaaaaaa", 1, "look", nowMs+1)
	spelt, err := protocol.Decode([]byte(`{"at":1.79e12,"kind":"look", "hold":"h1","id":"aaaaaaaaaa-000001","err":2.0,"data":{"n":1},"by":"buddy"}`))
	require.NoError(t, err)
	require.Equal(t, []Outcome{Stored, Known, Known, Conflict}, s.append(t, "p1", e, e, spelt, other))
	require.Equal(t, []Outcome{Conflict}, s.append(t, "p2", e))
	require.Equal(t, []string{string(e.Raw)}, bodies(t, s, "p1", "aaaaaaaaaa"))
	for want, one := range map[bool]protocol.Event{true: spelt, false: other} {
		has, err := s.Has(context.Background(), "p1", &one)
		require.NoError(t, err)
		require.Equal(t, want, has)
	}
}

// Ensures that the counter up to which nothing is missing is found.
func TestGapless(t *testing.T) {
	s := open(t, t.TempDir())
	var beyond []Run
	gapless := func(from int64) (n int64) {
		var err error
		n, beyond, err = s.Counters(context.Background(), "aaaaaaaaaa", from)
		require.NoError(t, err)
		return n
	}
	require.Equal(t, int64(0), gapless(0))
	s.append(t, "p1", event(t, "aaaaaaaaaa", 2, "look", nowMs))
	require.Equal(t, int64(0), gapless(0))
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "look", nowMs))
	s.append(t, "p2", event(t, "aaaaaaaaaa", 3, "look", nowMs))
	s.append(t, "p1", event(t, "aaaaaaaaaa", 5, "look", nowMs), event(t, "aaaaaaaaab", 4, "look", nowMs))
	require.Equal(t, int64(3), gapless(0))
	require.Equal(t, []Run{{5, 5}}, beyond)
	require.Equal(t, int64(3), gapless(2))
	s.append(t, "p1", event(t, "aaaaaaaaaa", 6, "look", nowMs), event(t, "aaaaaaaaaa", 9, "look", nowMs))
	require.Equal(t, int64(3), gapless(0))
	require.Equal(t, []Run{{5, 6}, {9, 9}}, beyond)
	for n := range int64(200) {
		s.append(t, "p1", event(t, "aaaaaaaaaa", int(20+2*n), "look", nowMs))
	}
	require.Equal(t, int64(3), gapless(0))
	require.Len(t, beyond, MaxRuns)
}

// Ensures that many writers at once all get their receipt, and share commits.
func TestManyWritersShareCommits(t *testing.T) {
	s := open(t, t.TempDir())
	const writers, each = 20, 20
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			device := fmt.Sprintf("device%04d", w)
			for n := range each {
				outcomes, err := s.tryAppend("p1", event(t, device, n+1, "look", nowMs))
				if err != nil || outcomes[0] != Stored {
					t.Errorf("%s %d: %v %v", device, n, outcomes, err)
				}
			}
		})
	}
	wg.Wait()
	n, err := s.Verify(context.Background())
	require.NoError(t, err)
	require.Equal(t, int64(writers*each), n)
}

// Ensures that a data folder serves one program at a time, and the next one
// afterwards.
func TestFolderInUse(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	_, err := Open(dir, now)
	require.ErrorIs(t, err, ErrInUse)
	require.NoError(t, s.Close())
	open(t, dir)
}

// Ensures that writes after the end are refused and not lost silently.
func TestWritesAfterClose(t *testing.T) {
	s := open(t, t.TempDir())
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	_, err := s.tryAppend("p1", event(t, "aaaaaaaaaa", 1, "look", nowMs))
	require.ErrorIs(t, err, ErrClosed)
}

// Ensures that what waits for the disk when the store is closed is written.
func TestCloseWritesWhatWaits(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	var receipts sync.WaitGroup
	for n := range 300 {
		receipts.Add(1)
		s.Append("p1", []protocol.Event{event(t, "aaaaaaaaaa", n+1, "look", nowMs)}, func(_ []Outcome, err error) {
			if err != nil {
				t.Error(err)
			}
			receipts.Done()
		})
	}
	require.NoError(t, s.Close())
	receipts.Wait()
	require.Len(t, bodies(t, open(t, dir), "p1", "aaaaaaaaaa"), 300)
}

// Ensures that neither readers nor live events wait for somebody who writes to the
// data file, and that all comes into it afterwards.
func TestNobodyWaitsForTheDataFile(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "look", nowMs))
	require.NoError(t, s.Settle(t.Context()))
	db, err := openDB(filepath.Join(dir, FileName), "rw")
	require.NoError(t, err)
	defer db.Close()
	tx, err := db.Begin() // takes the write lock
	require.NoError(t, err)
	require.Equal(t, []Outcome{Stored, Known}, s.append(t, "p1", event(t, "aaaaaaaaaa", 2, "look", nowMs), event(t, "aaaaaaaaaa", 1, "look", nowMs)))
	require.Len(t, bodies(t, s, "p1", "aaaaaaaaaa"), 2)
	settled := make(chan error, 1)
	go func() { settled <- s.Settle(context.Background()) }()
	select {
	case err := <-settled:
		t.Fatal("written beside another writer", err)
	default:
	}
	require.NoError(t, tx.Rollback())
	require.NoError(t, <-settled)
	n, err := s.Verify(context.Background())
	require.NoError(t, err)
	require.EqualValues(t, 2, n)
}

// fakeDisk is a disk that can fail, or not come to an end.
type fakeDisk struct {
	writing sync.RWMutex // held while nothing is written

	mu     sync.Mutex
	err    error
	part   int  // how much of a write that fails is done, bytes
	lazy   bool // all is written, and putting it on the disk fails
	held   []heldWrite
	writes int
}

// heldWrite is a write that closes inside when it begins and waits for free.
type heldWrite struct{ inside, free chan struct{} }

// hold has the next write that is not held yet wait.
func (d *fakeDisk) hold() (inside <-chan struct{}, free chan<- struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	h := heldWrite{make(chan struct{}), make(chan struct{})}
	d.held = append(d.held, h)
	return h.inside, h.free
}

// fail has all writes fail after a part, until it is called with nil.
func (d *fakeDisk) fail(err error, part int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.err, d.part = err, part
}

func (d *fakeDisk) wrap(f File) File { return &fakeFile{f, d} }

type fakeFile struct {
	File
	disk *fakeDisk
}

func (f *fakeFile) WriteAt(b []byte, at int64) (int, error) {
	f.disk.writing.RLock()
	defer f.disk.writing.RUnlock()
	f.disk.mu.Lock()
	err, part := f.disk.err, min(f.disk.part, len(b))
	var held *heldWrite
	if len(f.disk.held) > 0 {
		held, f.disk.held = &f.disk.held[0], f.disk.held[1:]
	}
	lazy := f.disk.lazy
	f.disk.writes++
	f.disk.mu.Unlock()
	if held != nil {
		close(held.inside)
		<-held.free
	}
	if err != nil && !lazy {
		n, _ := f.File.WriteAt(b[:part], at)
		return n, err
	}
	return f.File.WriteAt(b, at)
}

func (f *fakeFile) Truncate(bytes int64) error {
	f.disk.mu.Lock()
	err := f.disk.err
	f.disk.mu.Unlock()
	if err != nil {
		return err
	}
	return f.File.Truncate(bytes)
}

func (f *fakeFile) Sync() error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if f.disk.lazy && f.disk.err != nil {
		return f.disk.err
	}
	return f.File.Sync()
}

// Ensures that a write which fails leaves nothing behind, and the next one goes
// through, also past a kill.
func TestFailedWriteLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	disk := &fakeDisk{}
	s, err := Open(dir, now, Files(disk.wrap))
	require.NoError(t, err)
	defer s.Close()
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "look", nowMs))
	e, big := event(t, "aaaaaaaaaa", 2, "look", nowMs), event(t, "aaaaaaaaaa", 3, "note", nowMs)
	big.Raw = []byte(strings.Replace(string(big.Raw), `"n":3`, `"text":"`+strings.Repeat("x", 9000)+`"`, 1))
	for _, part := range []int{0, 100, blockBytes, blockBytes + 1, 1 << 20} {
		disk.fail(syscall.ENOSPC, part)
		_, err = s.tryAppend("p1", e, big)
		require.ErrorIs(t, err, syscall.ENOSPC)
		require.ErrorContains(t, err, "the disk is full")
		require.Len(t, bodies(t, s, "p1", "aaaaaaaaaa"), 1)
	}
	disk.lazy = true
	_, err = s.tryAppend("p1", e)
	require.ErrorContains(t, err, "cannot write the journal to disk")
	require.Len(t, bodies(t, s, "p1", "aaaaaaaaaa"), 1)
	disk.fail(nil, 0)
	require.Equal(t, []Outcome{Stored}, s.append(t, "p1", e))
	require.Equal(t, []Outcome{Stored, Known}, s.append(t, "p1", big, e))
	got, damaged := reopened(t, dir)
	require.False(t, damaged)
	require.Len(t, got, 3)
}

// Ensures that a transaction on the data file which fails leaves nothing behind.
func TestFailedCommitLeavesNothing(t *testing.T) {
	s := open(t, t.TempDir())
	broken := errors.New("the disk is full")
	err := s.do(func(w *writer) error {
		if err := w.exec("INSERT INTO session (id, started_ms) VALUES ('s1', 1)"); err != nil {
			return err
		}
		return broken
	})
	require.ErrorIs(t, err, broken)
	_, err = s.EndedMs(context.Background(), "s1")
	require.ErrorIs(t, err, ErrUnknown)
}

// Ensures that health data is nobody else's to read on the same machine.
func TestH21FilesAreTheOwnersOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	s := open(t, dir)
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "look", nowMs))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(entries), 3)
	for _, e := range entries {
		info, err := e.Info()
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077, e.Name())
	}
	info, err := os.Stat(dir)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077)
}

// Ensures that an outing goes on when the server is started again, and that a
// later day is another one.
func TestSessionGoesOn(t *testing.T) {
	dir := t.TempDir()
	at := nowMs
	s, err := Open(dir, func() int64 { return at })
	require.NoError(t, err)
	defer s.Close()
	const within = int64(12 * time.Hour / time.Millisecond)
	a, err := s.ContinueSession("first", within)
	require.NoError(t, err)
	require.Equal(t, "first", a.ID)
	require.NoError(t, s.Admit(Device{ID: "aaaaaaaaaa", Session: a.ID, Pair: "p1", Role: "buddy"}, []byte("hash")))
	at += within
	b, err := s.ContinueSession("second", within)
	require.NoError(t, err)
	require.Equal(t, a, b)
	pair, err := s.AddPair("p1", a.ID)
	require.NoError(t, err)
	s.append(t, pair.ID, event(t, "aaaaaaaaaa", 1, "look", at))
	at += within
	b, err = s.ContinueSession("second", within)
	require.NoError(t, err)
	require.Equal(t, a, b, "an event keeps it going")
	at += within + 1
	b, err = s.ContinueSession("second", within)
	require.NoError(t, err)
	require.Equal(t, "second", b.ID)
	ended, err := s.EndedMs(context.Background(), "first")
	require.NoError(t, err)
	require.Equal(t, at-within-1, ended, "nobody ended the first, which ended by itself")

	// One that was ended stays so, and none of before goes on in its place.
	at += 1_000
	s.append(t, "p1", event(t, "aaaaaaaaaa", 2, "look", at))
	_, err = s.EndSession("second", at)
	require.NoError(t, err)
	b, err = s.ContinueSession("third", within)
	require.NoError(t, err)
	require.Equal(t, "third", b.ID)
}

// Ensures that a pair's names come from its newest plan, and its newest hold is
// the one planned or begun last.
func TestNewest(t *testing.T) {
	s := open(t, t.TempDir())
	ctx := context.Background()
	plan, err := s.NewestPlan(ctx, "p1")
	require.NoError(t, err)
	require.Nil(t, plan)
	hold, err := s.NewestHold(ctx, "p1")
	require.NoError(t, err)
	require.Empty(t, hold)
	s.append(t, "p1", event(t, "aaaaaaaaaa", 1, "plan", nowMs+5), event(t, "aaaaaaaaaa", 2, "plan", nowMs), event(t, "aaaaaaaaaa", 3, "look", nowMs+9))
	plan, err = s.NewestPlan(ctx, "p1")
	require.NoError(t, err)
	require.JSONEq(t, `{"n":1}`, string(plan))
	hold, err = s.NewestHold(ctx, "p1")
	require.NoError(t, err)
	require.Equal(t, "h1", hold)
	events, err := s.Hold(ctx, "p1", "h1")
	require.NoError(t, err)
	require.Len(t, events, 3)
}

// Ensures that a host whose clock comes back behind can tell how far it was: by what it stored last, and by the roles it
// gave and took.
func TestH08TheLastTimeIsOfEventsAndRoles(t *testing.T) {
	at := nowMs
	s, err := Open(t.TempDir(), func() int64 { return at })
	require.NoError(t, err)
	defer s.Close()
	later := func(what string, do func() error) {
		t.Helper()
		at += 1000
		require.NoError(t, do())
		last, err := s.LastMs(context.Background())
		require.NoError(t, err)
		require.Equal(t, at, last, what)
	}
	last, err := s.LastMs(context.Background())
	require.NoError(t, err)
	require.Zero(t, last)
	session, err := s.ContinueSession("session001", 0)
	require.NoError(t, err)
	_, err = s.AddPair("p1", session.ID)
	require.NoError(t, err)
	d := Device{ID: "aaaaaaaaaa", Session: session.ID, Pair: "p1", Role: "buddy"}
	later("a role given", func() error { return s.Admit(d, []byte("hash")) })
	later("an event", func() error { s.append(t, "p1", event(t, d.ID, 1, "look", at)); return nil })
	d.Role = "diver"
	later("another role", func() error { return s.Move(d) })
	later("a role taken", func() error { return s.Remove(d.ID) })
}
