package store

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"buddyclock/protocol"
)

// Run is a row of counters without a gap, by its first and its last.
type Run [2]int64

// Counts tell which events somebody has.
type Counts struct {
	Have   map[string]int64 // of each device the highest counter with no gap below it
	Beyond map[string][]Run // of each device what there is above that gap
}

// Has tells whether the event with a counter is among them.
func (c Counts) Has(device string, counter int64) bool {
	return counter <= c.Have[device] ||
		slices.ContainsFunc(c.Beyond[device], func(r Run) bool { return r[0] <= counter && counter <= r[1] })
}

// Missing gives the events of a pair that somebody lacks who has these. They
// come in their order of arrival, as JSON texts. devices are the devices the
// pair has had.
func (s *Store) Missing(ctx context.Context, pair string, devices []string, theirs Counts) ([][]byte, error) {
	above := make(map[string]int64, len(devices))
	for _, device := range devices {
		above[device] = theirs.Have[device]
	}
	list, err := json.Marshal(above)
	if err != nil {
		return nil, err
	}
	// All of them as of one instant, or what is folded in meanwhile would change places.
	recent := s.recent.those(func(r *row) bool { _, asked := above[r.device]; return asked && r.pair == pair })
	// The plus has the index of counters used, and not that of pairs.
	rows, err := s.rows(ctx, "JOIN (SELECT key, value FROM json_each(?)) ON device = key AND counter > value WHERE +pair = ? ORDER BY seq", string(list), pair)
	if err != nil {
		return nil, err
	}
	return bodiesOf(slices.DeleteFunc(with(rows, recent), func(r *row) bool { return theirs.Has(r.device, r.counter) })), nil
}

func bodiesOf(rows []*row) [][]byte {
	bodies := make([][]byte, len(rows))
	for i, r := range rows {
		bodies[i] = r.body
	}
	return bodies
}

// Hold gives the events of one hold, in their order of arrival.
func (s *Store) Hold(ctx context.Context, pair, hold string) ([]protocol.Event, error) {
	recent := s.recent.those(func(r *row) bool { return r.hold == hold && r.pair == pair })
	rows, err := s.rows(ctx, "WHERE pair = ? AND hold = ? ORDER BY seq", pair, hold)
	if err != nil {
		return nil, err
	}
	var events []protocol.Event
	for _, r := range with(rows, recent) {
		e, err := r.event()
		if err != nil {
			return nil, err
		}
		events = append(events, e)
	}
	return events, nil
}

// event reads the event of a row.
func (r *row) event() (protocol.Event, error) {
	e, err := protocol.Decode(r.body)
	if err != nil {
		return e, &UnsoundError{What: fmt.Sprintf("event %q cannot be read: %v", r.id, err)}
	}
	return e, nil
}

// OutsideHolds gives what a pair recorded that belongs to no hold, such as its
// place cards, in the order of arrival, as JSON texts.
func (s *Store) OutsideHolds(ctx context.Context, pair string) ([][]byte, error) {
	recent := s.recent.those(func(r *row) bool { return r.pair == pair && strings.HasSuffix(r.hold, "-h00") })
	rows, err := s.rows(ctx, "WHERE pair = ? AND hold LIKE '%-h00' ORDER BY seq", pair)
	return bodiesOf(with(rows, recent)), err
}

// NewestHold gives the id of the hold of a pair that was planned or begun last,
// or "" if there is none.
func (s *Store) NewestHold(ctx context.Context, pair string) (string, error) {
	newest, err := s.newest(ctx, pair, protocol.KindPlan, protocol.KindBreatheUp, protocol.KindStart)
	if newest == nil {
		return "", err
	}
	return newest.hold, err
}

// NewestStarted gives the id of the hold of a pair that was started last, or "" if
// there is none.
func (s *Store) NewestStarted(ctx context.Context, pair string) (string, error) {
	newest, err := s.newest(ctx, pair, protocol.KindStart)
	if newest == nil {
		return "", err
	}
	return newest.hold, err
}

// NewestPlan gives the data of a pair's last plan, or nil.
func (s *Store) NewestPlan(ctx context.Context, pair string) ([]byte, error) {
	newest, err := s.newest(ctx, pair, protocol.KindPlan)
	if newest == nil {
		return nil, err
	}
	e, err := newest.event()
	return e.Data, err
}

// newest gives a pair's last event of some kinds, by their times, or nil.
func (s *Store) newest(ctx context.Context, pair string, kinds ...string) (*row, error) {
	recent := s.recent.those(func(r *row) bool { return r.pair == pair && slices.Contains(kinds, r.kind) })
	// By name, so that the index of plans can be used.
	rows, err := s.rows(ctx, "WHERE pair = ? AND kind IN ('"+strings.Join(kinds, "', '")+"') ORDER BY at DESC, id DESC LIMIT 1", pair)
	if rows = append(rows, recent...); err != nil || len(rows) == 0 {
		return nil, err
	}
	return slices.MaxFunc(rows, func(a, b *row) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id)) }), nil
}

// ownSessions are those that were held here. One that came out of another file has
// ended when it began, and what is filed in it tells of another host's time.
const ownSessions = "session WHERE ended_ms IS NOT started_ms"

// lastStored is when the last event of a session's pairs was stored, as the last few
// of each of its devices tell: the last in the file may have come out of another one,
// and looking at all would keep people waiting.
const lastStored = `coalesce((SELECT max((SELECT max(stored_ms) FROM (
	SELECT stored_ms FROM event WHERE device = d.id AND +pair IN (SELECT p.id FROM pair p WHERE p.session = session.id) ORDER BY counter DESC LIMIT 16)))
	FROM device d WHERE d.session = session.id), 0)`

// LastMs gives the shared time at which the last session here began, its last event
// was stored, or the last role given or taken, or 0 if there is none.
func (s *Store) LastMs(ctx context.Context) (int64, error) {
	var ms int64
	if err := s.Settle(ctx); err != nil {
		return 0, err
	}
	err := s.read.QueryRowContext(ctx, `
		SELECT max(coalesce((SELECT max(started_ms, `+lastStored+`) FROM `+ownSessions+` ORDER BY started_ms DESC LIMIT 1), 0),
			coalesce((SELECT max(max(since_ms, coalesce(until_ms, 0))) FROM membership), 0))`).Scan(&ms)
	return ms, err
}

// MaxRuns bounds the runs of one device above its gap: what is left out is
// merely sent once more.
const MaxRuns = 64

// Counters gives the highest counter of a device up to which all its events are
// stored, in whatever pair, and the lowest runs above it. Those that were erased
// are no gaps: nobody is to send them again. It reads on from a counter known
// to be reached.
func (s *Store) Counters(ctx context.Context, device string, from int64) (upTo int64, beyond []Run, err error) {
	recent := s.recent.those(func(r *row) bool { return r.device == device && r.counter > from })
	rows, err := s.read.QueryContext(ctx, `
		SELECT counter FROM event WHERE device = ?1 AND counter > ?2
		UNION ALL SELECT counter FROM erased WHERE device = ?1 AND counter > ?2 ORDER BY counter`, device, from)
	if err != nil {
		return from, nil, err
	}
	defer rows.Close()
	var counters []int64
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			return from, nil, err
		}
		counters = append(counters, n)
	}
	if len(recent) > 0 {
		for _, r := range recent {
			counters = append(counters, r.counter)
		}
		slices.Sort(counters)
	}
	if err := rows.Err(); err != nil {
		return from, nil, err
	}
	s.noteTop(device, slices.Max(append(counters, from)))
	upTo, beyond = runsOf(counters, from)
	return upTo, beyond, nil
}

// runsOf gives how far counters go on from one without a gap, and the lowest runs
// above that. They are sorted; one may be there twice.
func runsOf(counters []int64, from int64) (upTo int64, beyond []Run) {
	for _, n := range counters {
		last := len(beyond) - 1
		switch {
		case last < 0 && n <= from+1:
			from = max(from, n)
		case last >= 0 && n <= beyond[last][1]+1:
			beyond[last][1] = max(beyond[last][1], n)
		case len(beyond) == MaxRuns:
			return from, beyond
		default:
			beyond = append(beyond, Run{n, n})
		}
	}
	return from, beyond
}

// rows gives the events of the data file that a condition holds for.
func (s *Store) rows(ctx context.Context, where string, args ...any) ([]*row, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT seq, "+rowColumns+" FROM event "+where, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []*row
	for rows.Next() {
		r, err := scanRow(rows)
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	return all, rows.Err()
}

// Has tells whether the very same event of a pair is stored.
func (s *Store) Has(ctx context.Context, pair string, e *protocol.Event) (bool, error) {
	r, err := s.byID(ctx, e.ID)
	return r != nil && r.pair == pair && protocol.SameContent(protocol.Event{Raw: r.body}, *e), err
}

// byID gives an event by its id, or nil.
func (s *Store) byID(ctx context.Context, id string) (*row, error) {
	counter, _ := protocol.CounterOf(id)
	key := eventKey{protocol.DeviceOf(id), counter}
	if r := s.recent.one(key); r != nil {
		if r.id != id {
			return nil, nil
		}
		return r, nil
	}
	rows, err := s.rows(ctx, whereID, idArgs(id)...)
	if err != nil || len(rows) == 0 {
		return nil, err
	}
	return rows[0], nil
}

// whereKey finds an event by its device and counter.
const whereKey = "WHERE device = ? AND counter = ?"

// whereID finds an event by its id, with idArgs. The index is by device and
// counter.
const whereID = "WHERE device = ? AND counter = ? AND id = ?"

func idArgs(id string) []any {
	counter, _ := protocol.CounterOf(id)
	return []any{protocol.DeviceOf(id), counter, id}
}
