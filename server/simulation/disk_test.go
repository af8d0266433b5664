package simulation

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash/crc32"
	"slices"
	"strings"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// disk is the host's: one file that is only appended to, of which a crash
// leaves all that was synced and some of the rest. It promises what the real
// store does (server/store/commit.go): one transaction at a time, with all that
// waits by then, and an answer only after the sync.
type disk struct {
	actor
	members []store.Membership

	file   []byte
	synced int // bytes of file that survive anything
	rows   []protocol.Event
	byID   map[string]int
	lastMs int64 // shared time at which the last event was stored, or role given

	waiting []write
	busy    bool
	life    int  // grows with each crash: what was under way before is gone
	full    bool // nothing can be written
	slow    bool
}

// write is one Append under way.
type write struct {
	events []protocol.Event
	done   func([]store.Outcome, error)
}

var errFull = errors.New("the disk is full")

func newDisk(w *world) *disk { return &disk{actor: w.newActor(), byID: map[string]int{}} }

// Append implements room.Store.
func (d *disk) Append(_ string, events []protocol.Event, done func([]store.Outcome, error)) {
	d.waiting = append(d.waiting, write{events, done})
	d.commit()
}

// commit writes what waits as one transaction.
func (d *disk) commit() {
	if d.busy || len(d.waiting) == 0 {
		return
	}
	d.busy = true
	life, jobs := d.life, d.waiting
	d.waiting = nil
	took := d.lognormal(4*ms, 0.8)
	if d.slow {
		took = d.lognormal(900*ms, 0.5)
	}
	// What of them is new is judged inside the transaction.
	var fresh []protocol.Event
	outcomes := make([][]store.Outcome, len(jobs))
	for i, job := range jobs {
		for _, e := range job.events {
			outcomes[i] = append(outcomes[i], d.judge(&e, &fresh))
		}
	}
	answer := func(err error) {
		for i, job := range jobs {
			if err != nil {
				job.done(nil, err)
			} else {
				job.done(outcomes[i], nil)
			}
		}
	}
	if d.full {
		d.after(took, "the host's disk is full", func() {
			if d.life == life {
				d.busy = false
				answer(errFull)
				d.commit()
			}
		})
		return
	}
	us, _ := d.w.host.sharedNow()
	storedMs := us / 1000
	if len(fresh) > 0 {
		d.file = append(d.file, record(fresh, storedMs)...)
	}
	if d.w.defect.host == ackBeforeSync {
		answer(nil)
		took += 4 * second
	}
	d.after(took, "", func() {
		if d.life != life {
			return
		}
		d.synced = len(d.file)
		d.keep(fresh, storedMs)
		// The answer may still be cut off by a crash: then it is stored, and nobody knows.
		d.after(d.between(0, 2*ms), "", func() {
			if d.life == life {
				d.busy = false
				if d.w.defect.host != ackBeforeSync {
					answer(nil)
				}
				d.commit()
			}
		})
	})
}

func (d *disk) judge(e *protocol.Event, fresh *[]protocol.Event) store.Outcome {
	known := func(old protocol.Event) store.Outcome {
		if protocol.SameContent(old, *e) {
			return store.Known
		}
		return store.Conflict
	}
	if i, there := d.byID[e.ID]; there {
		return known(d.rows[i])
	}
	for _, f := range *fresh {
		if f.ID == e.ID {
			return known(f)
		}
	}
	*fresh = append(*fresh, *e)
	return store.Stored
}

// keep makes rows readable, as a commit does.
func (d *disk) keep(fresh []protocol.Event, storedMs int64) {
	for _, e := range fresh {
		if _, there := d.byID[e.ID]; there {
			d.w.fail("none doubled", "the host's disk has the event %s twice", e.ID)
		}
		d.byID[e.ID] = len(d.rows)
		d.rows = append(d.rows, e)
		d.lastMs = max(d.lastMs, storedMs)
	}
}

// transaction is how one is spelt in the file, after its length and its sum.
type transaction struct {
	StoredMs int64
	Events   []json.RawMessage
}

func record(events []protocol.Event, storedMs int64) []byte {
	t := transaction{StoredMs: storedMs}
	for _, e := range events {
		t.Events = append(t.Events, e.Encode())
	}
	body, _ := json.Marshal(t)
	head := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	head = binary.BigEndian.AppendUint32(head, crc32.ChecksumIEEE(body))
	return append(head, body...)
}

// crash takes the power away: of what was not synced some bytes at the front
// may have reached the disk.
func (d *disk) crash() {
	d.life++
	d.waiting, d.busy = nil, false
	d.file = d.file[:d.synced+d.IntN(len(d.file)-d.synced+1)]
}

// recover reads the file as the host starts. A torn end is left out and cut off.
func (d *disk) recover() {
	d.rows, d.byID = nil, map[string]int{}
	at := 0
	for len(d.file)-at >= 8 {
		n := int(binary.BigEndian.Uint32(d.file[at:]))
		sum := binary.BigEndian.Uint32(d.file[at+4:])
		if len(d.file)-at-8 < n || crc32.ChecksumIEEE(d.file[at+8:at+8+n]) != sum {
			break
		}
		var t transaction
		_ = json.Unmarshal(d.file[at+8:at+8+n], &t)
		var events []protocol.Event
		for _, raw := range t.Events {
			e, err := protocol.Decode(raw)
			if err != nil {
				d.w.fail("none lost", "the host's disk has an event that cannot be read: %v", err)
			}
			events = append(events, e)
		}
		d.keep(events, t.StoredMs)
		at += 8 + n
	}
	d.file = d.file[:at]
	d.synced = at
}

// Has implements room.Store.
func (d *disk) Has(_ context.Context, _ string, e *protocol.Event) (bool, error) {
	i, there := d.byID[e.ID]
	return there && protocol.SameContent(d.rows[i], *e), nil
}

// Hold implements room.Store.
func (d *disk) Hold(_ context.Context, _, hold string) ([]protocol.Event, error) {
	var events []protocol.Event
	for _, e := range d.rows {
		if e.Hold == hold {
			events = append(events, e)
		}
	}
	return events, nil
}

// NewestHold implements room.Store.
func (d *disk) NewestHold(context.Context, string) (string, error) {
	return d.newest(protocol.KindPlan, protocol.KindBreatheUp, protocol.KindStart), nil
}

// NewestStarted implements room.Store.
func (d *disk) NewestStarted(context.Context, string) (string, error) {
	return d.newest(protocol.KindStart), nil
}

// newest gives the hold of the last event of some kinds, or "".
func (d *disk) newest(kinds ...string) string {
	var newest protocol.Event
	for i := range d.rows {
		if e := d.rows[i]; slices.Contains(kinds, e.Kind) && (newest.ID == "" || protocol.Compare(e, newest) > 0) {
			newest = e
		}
	}
	return newest.Hold
}

// Counters implements room.Store.
func (d *disk) Counters(_ context.Context, device string, from int64) (upTo int64, beyond []store.Run, err error) {
	var above []int64
	for _, e := range d.rows {
		if n, _ := protocol.CounterOf(e.ID); n > from && protocol.DeviceOf(e.ID) == device {
			above = append(above, n)
		}
	}
	slices.Sort(above)
	for _, n := range above {
		last := len(beyond) - 1
		switch {
		case last < 0 && n == from+1:
			from = n
		case last >= 0 && n == beyond[last][1]+1:
			beyond[last][1] = n
		case len(beyond) < store.MaxRuns:
			beyond = append(beyond, store.Run{n, n})
		}
	}
	return from, beyond, nil
}

// Memberships implements room.Store.
func (d *disk) Memberships(context.Context, store.Pair) ([]store.Membership, error) {
	return d.members, nil
}

// OutsideHolds implements room.Store, for boards only.
func (d *disk) OutsideHolds(context.Context, string) ([][]byte, error) {
	var bodies [][]byte
	for _, e := range d.rows {
		if isOutside(e.Hold) {
			bodies = append(bodies, e.Encode())
		}
	}
	return bodies, nil
}

// isOutside tells whether a hold id stands for what belongs to no hold.
func isOutside(hold string) bool { return strings.HasSuffix(hold, "-h00") }

// missing gives what somebody lacks who has these.
func (d *disk) missing(theirs store.Counts) [][]byte {
	var bodies [][]byte
	for _, e := range d.rows {
		n, _ := protocol.CounterOf(e.ID)
		if !theirs.Has(protocol.DeviceOf(e.ID), n) {
			bodies = append(bodies, e.Encode())
		}
	}
	return bodies
}
