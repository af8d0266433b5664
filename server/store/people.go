package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Session is one outing.
type Session struct {
	ID        string
	StartedMs int64
}

// Pair is a diver and a buddy (or two) within a session.
type Pair struct {
	ID      string
	Session string
	Number  int // counts from 1 within the session
}

// Device is a phone or laptop that joined a session.
type Device struct {
	ID       string
	Session  string
	Pair     string // "" for an instructor or a siren of the whole session
	Role     string
	Name     string
	JoinedMs int64
	Removed  bool
}

// Membership is a role that a device had or has in a pair.
type Membership struct {
	Device  string
	Name    string
	Role    string
	OfAll   bool // pairs of the session
	SinceMs int64
	UntilMs int64 // 0 while it lasts
	// Removed tells that the device is no longer of the session at all.
	Removed   bool
	TokenHash []byte
}

var (
	// ErrUnknown is returned where the session, pair, device or token does not exist.
	ErrUnknown = errors.New("not known here")
	// ErrDeviceTaken is returned when a device id belongs to somebody else.
	ErrDeviceTaken = errors.New("this device id is taken")
)

// ContinueSession gives the newest session that was held here, if it has not ended
// and was active within the last withinMs (it started, a device joined or an event
// of its pairs came). Otherwise it begins one under the id freshID, and those that nobody has
// ended count as ended withinMs after that.
func (s *Store) ContinueSession(freshID string, withinMs int64) (Session, error) {
	var out Session
	if err := s.Settle(context.Background()); err != nil {
		return out, err
	}
	err := s.do(func(w *writer) error {
		now := s.nowMs()
		var lastMs int64
		var ended bool
		err := w.queryRow(`
			SELECT id, started_ms, ended_ms IS NOT NULL, max(started_ms,
				coalesce((SELECT max(joined_ms) FROM device WHERE session = session.id), 0),
				`+lastStored+`)
			FROM `+ownSessions+` ORDER BY started_ms DESC LIMIT 1`).Scan(&out.ID, &out.StartedMs, &ended, &lastMs)
		if err == nil && !ended && now-lastMs <= withinMs {
			return nil
		}
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if err := w.exec("UPDATE session SET ended_ms = ? WHERE ended_ms IS NULL", min(now, lastMs+withinMs)); err != nil {
			return err
		}
		out = Session{ID: freshID, StartedMs: now}
		return w.exec("INSERT INTO session (id, started_ms) VALUES (?, ?)", out.ID, out.StartedMs)
	})
	return out, err
}

// AddPair makes a pair in a session; it gets the next free number.
func (s *Store) AddPair(id, session string) (Pair, error) {
	p := Pair{ID: id, Session: session}
	err := s.do(func(w *writer) error {
		if err := w.queryRow("SELECT coalesce(max(number), 0) + 1 FROM pair WHERE session = ?", session).Scan(&p.Number); err != nil {
			return err
		}
		return w.exec("INSERT INTO pair (id, session, number, made_ms) VALUES (?, ?, ?, ?)", id, session, p.Number, s.nowMs())
	})
	return p, err
}

// Pair gives a pair by its id, or ErrUnknown.
func (s *Store) Pair(ctx context.Context, id string) (Pair, error) {
	p := Pair{ID: id}
	err := s.read.QueryRowContext(ctx, "SELECT session, number FROM pair WHERE id = ?", id).Scan(&p.Session, &p.Number)
	return p, known(err)
}

// Pairs gives the pairs of a session by number.
func (s *Store) Pairs(ctx context.Context, session string) ([]Pair, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT id, session, number FROM pair WHERE session = ? ORDER BY number", session)
	if err != nil {
		return nil, err
	}
	return collect(rows, func(p *Pair) []any { return []any{&p.ID, &p.Session, &p.Number} })
}

// Admit stores a device with its token hash. It fails with ErrDeviceTaken where
// the id is known already: taking over or moving such a device is Move's work.
func (s *Store) Admit(d Device, tokenHash []byte) error {
	taken := false
	err := s.do(func(w *writer) error {
		now := s.nowMs()
		var n int
		if err := w.queryRow("SELECT count(*) FROM device WHERE id = ?", d.ID).Scan(&n); err != nil {
			return err
		}
		if taken = n > 0; taken {
			return nil
		}
		if err := w.exec("INSERT INTO device (id, session, pair, role, name, token, joined_ms) VALUES (?, ?, ?, ?, ?, ?, ?)",
			d.ID, d.Session, d.Pair, d.Role, d.Name, tokenHash, now); err != nil {
			return err
		}
		return w.exec("INSERT INTO membership (device, pair, role, since_ms) VALUES (?, ?, ?, ?)", d.ID, d.Pair, d.Role, now)
	})
	if err == nil && taken {
		err = ErrDeviceTaken
	}
	return err
}

// Move gives known devices another session, pair, role and name; their tokens
// stay. Their old memberships end now; staying in the same role keeps it. All
// of them move, or, with ErrUnknown, none.
func (s *Store) Move(devices ...Device) error {
	unknown := false
	err := s.do(func(w *writer) error {
		now := s.nowMs()
		for _, d := range devices {
			var n int
			if err := w.queryRow("SELECT count(*) FROM device WHERE id = ? AND removed_ms IS NULL", d.ID).Scan(&n); err != nil {
				return err
			}
			if unknown = n == 0; unknown {
				return nil
			}
		}
		for _, d := range devices {
			if err := w.move(d, now); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil && unknown {
		err = ErrUnknown
	}
	return err
}

func (w *writer) move(d Device, nowMs int64) error {
	if err := w.exec("UPDATE device SET session = ?, pair = ?, role = ?, name = ? WHERE id = ?",
		d.Session, d.Pair, d.Role, d.Name, d.ID); err != nil {
		return err
	}
	if err := w.exec("UPDATE membership SET until_ms = ? WHERE device = ? AND until_ms IS NULL AND NOT (pair = ? AND role = ?)",
		nowMs, d.ID, d.Pair, d.Role); err != nil {
		return err
	}
	return w.exec(`INSERT INTO membership (device, pair, role, since_ms) SELECT ?1, ?2, ?3, ?4
		WHERE NOT EXISTS (SELECT 1 FROM membership WHERE device = ?1 AND until_ms IS NULL)`, d.ID, d.Pair, d.Role, nowMs)
}

// Remove ends a device's membership and makes its token worthless. What it
// recorded stays.
func (s *Store) Remove(device string) error {
	return s.do(func(w *writer) error {
		now := s.nowMs()
		if err := w.exec("UPDATE device SET removed_ms = ? WHERE id = ? AND removed_ms IS NULL", now, device); err != nil {
			return err
		}
		return w.exec("UPDATE membership SET until_ms = ? WHERE device = ? AND until_ms IS NULL", now, device)
	})
}

const deviceColumns = "id, session, pair, role, name, joined_ms, removed_ms IS NOT NULL"

func deviceFields(d *Device) []any {
	return []any{&d.ID, &d.Session, &d.Pair, &d.Role, &d.Name, &d.JoinedMs, &d.Removed}
}

// DeviceByToken gives the device of a token, or ErrUnknown if there is none or
// it was removed.
func (s *Store) DeviceByToken(ctx context.Context, tokenHash []byte) (Device, error) {
	var d Device
	err := s.read.QueryRowContext(ctx, "SELECT "+deviceColumns+" FROM device WHERE token = ? AND removed_ms IS NULL", tokenHash).Scan(deviceFields(&d)...)
	return d, known(err)
}

// IsDevice tells whether a device id was ever used.
func (s *Store) IsDevice(ctx context.Context, id string) (bool, error) {
	var there bool
	err := s.read.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM device WHERE id = ?)", id).Scan(&there)
	return there, err
}

// Devices gives the devices of a session that were not removed.
func (s *Store) Devices(ctx context.Context, session string) ([]Device, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT "+deviceColumns+" FROM device WHERE session = ? AND removed_ms IS NULL ORDER BY joined_ms, id", session)
	if err != nil {
		return nil, err
	}
	return collect(rows, deviceFields)
}

// Device gives a device by its id, or ErrUnknown if there is none or it was removed.
func (s *Store) Device(ctx context.Context, id string) (Device, error) {
	var d Device
	err := s.read.QueryRowContext(ctx, "SELECT "+deviceColumns+" FROM device WHERE id = ? AND removed_ms IS NULL", id).Scan(deviceFields(&d)...)
	return d, known(err)
}

// Memberships gives every role that any device had in a pair, those of devices
// of the whole session included, in the order of their beginning.
func (s *Store) Memberships(ctx context.Context, p Pair) ([]Membership, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT m.device, d.name, m.role, m.pair = '', m.since_ms, coalesce(m.until_ms, 0), d.removed_ms IS NOT NULL, d.token
		FROM membership m JOIN device d ON d.id = m.device
		WHERE m.pair = ?1 OR m.pair = '' AND d.session = ?2
		ORDER BY m.rowid`, p.ID, p.Session)
	if err != nil {
		return nil, err
	}
	return collect(rows, func(m *Membership) []any {
		return []any{&m.Device, &m.Name, &m.Role, &m.OfAll, &m.SinceMs, &m.UntilMs, &m.Removed, &m.TokenHash}
	})
}

func known(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return ErrUnknown
	}
	if err != nil {
		return fmt.Errorf("cannot read the data file: %w", err)
	}
	return nil
}

// collect reads all rows into values whose columns fields points at.
func collect[T any](rows *sql.Rows, fields func(*T) []any) ([]T, error) {
	defer rows.Close()
	var all []T
	for rows.Next() {
		var one T
		if err := rows.Scan(fields(&one)...); err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}
