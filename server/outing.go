package server

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

const (
	// outingLife is how long an outing lasts without any sign of life.
	outingLife = 12 * time.Hour
	// tokenLife is how long after an outing's end its phones may still hand over
	// what they owe: they may not be opened again before the next week's training.
	tokenLife = 8 * 24 * time.Hour
	// maxSettingBytes bounds one thing an instructor sets for all.
	maxSettingBytes = 4 << 10
)

// settingNames are what an instructor can set for all pairs. The server does not
// look into them.
var settingNames = []string{"place", "cadence", "series"}

// outing is what the server knows of its session as a whole.
type outing struct {
	alive atomic.Int64 // shared ms of the last sign of life

	mu       sync.Mutex
	settings map[string]json.RawMessage
	endedMs  int64 // 0 while it goes on
}

// load reads what was set before the server was started anew.
func (s *Server) loadOuting() {
	s.outing.settings = map[string]json.RawMessage{}
	s.outing.alive.Store(s.shared.NowMs())
	ctx := context.Background()
	text, err := s.store.Settings(ctx, s.session.ID)
	if err == nil && text != nil {
		err = json.Unmarshal(text, &s.outing.settings)
	}
	if err != nil {
		s.log.Error("the outing's settings could not be read", "reason", err)
	}
}

// signOfLife keeps the outing from ending by itself.
func (s *Server) signOfLife() { s.outing.alive.Store(s.shared.NowMs()) }

type outingJSON struct {
	Place   json.RawMessage `json:"place"`
	Cadence json.RawMessage `json:"cadence"`
	Series  json.RawMessage `json:"series"`
	EndedMs *int64          `json:"ended_ms"` // shared time
}

type outingMessage struct {
	Type   string     `json:"type"`
	Outing outingJSON `json:"outing"`
}

func (s *Server) outingNow() outingJSON {
	s.outing.mu.Lock()
	defer s.outing.mu.Unlock()
	set := s.outing.settings
	o := outingJSON{Place: set["place"], Cadence: set["cadence"], Series: set["series"]}
	if ended := s.outing.endedMs; ended != 0 {
		o.EndedMs = &ended
	}
	return o
}

func (s *Server) tellOuting() {
	frame := encode(outingMessage{"outing", s.outingNow()})
	for _, in := range s.here.all() {
		in.Send(frame)
	}
}

func outingEnded() error {
	return problem("outing-ended", "this outing has ended; start Buddyclock anew on the host for the next one")
}

// goesOn fails once the outing has ended. One without any sign of life for long
// ends here.
func (s *Server) goesOn() error {
	now, alive := s.shared.NowMs(), s.outing.alive.Load()
	s.outing.mu.Lock()
	ended := s.outing.endedMs != 0
	s.outing.mu.Unlock()
	if !ended && now-alive > outingLife.Milliseconds() {
		if _, err := s.endOuting(alive); err != nil {
			return err
		}
		ended = true
	}
	if ended {
		return outingEnded()
	}
	return nil
}

func (s *Server) endOuting(atMs int64) (endedMs int64, err error) {
	if endedMs, err = s.store.EndSession(s.session.ID, atMs); err != nil {
		return 0, err
	}
	s.outing.mu.Lock()
	s.outing.endedMs = endedMs
	s.outing.mu.Unlock()
	s.codes.Void()
	s.tellOuting()
	return endedMs, nil
}

// outlived tells whether a device's outing ended so long ago that its token is
// worth nothing any more.
func (s *Server) outlived(ctx context.Context, d store.Device) (bool, error) {
	ended, err := s.store.EndedMs(ctx, d.Session)
	return err == nil && ended != 0 && s.shared.NowMs()-ended > tokenLife.Milliseconds(), err
}

// instructor gives the device of an instructor's token.
func (s *Server) instructor(ctx context.Context, token string) (store.Device, error) {
	d, err := s.deviceOf(ctx, token)
	if err == nil && (d.Role != protocol.RoleInstructor || d.Session != s.session.ID) {
		err = problem("not-allowed", "only the outing's instructor may do this")
	}
	return d, err
}

// instructorIn is instructor for a request.
func (s *Server) instructorIn(r *http.Request, fields object) (store.Device, error) {
	token, err := fields.text("token", 128)
	if err != nil {
		return store.Device{}, err
	}
	return s.instructor(r.Context(), token)
}

// apiOuting changes what an instructor sets for all pairs.
func (s *Server) apiOuting(r *http.Request, fields object) (any, error) {
	if _, err := s.instructorIn(r, fields); err != nil {
		return nil, err
	}
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	set := map[string]json.RawMessage{}
	for _, name := range settingNames {
		raw, given := fields[name]
		if !given {
			continue
		}
		value, err := s.stamped(name, raw)
		if err != nil {
			return nil, err
		}
		set[name] = value
	}
	if err := s.setOuting(set); err != nil {
		return nil, err
	}
	s.tellOuting()
	return outingMessage{"outing", s.outingNow()}, nil
}

// stamped gives a setting with the time it was made, or nil for one to be cleared.
func (s *Server) stamped(name string, raw json.RawMessage) (json.RawMessage, error) {
	if string(raw) == "null" {
		return nil, nil
	}
	var value object
	if len(raw) > maxSettingBytes || json.Unmarshal(raw, &value) != nil {
		return nil, bad("`%s` is neither null nor an object of at most %d bytes", name, maxSettingBytes)
	}
	value["at"] = encode(s.shared.NowMs())
	return encode(value), nil
}

func (s *Server) setOuting(set map[string]json.RawMessage) error {
	s.outing.mu.Lock()
	defer s.outing.mu.Unlock()
	all := map[string]json.RawMessage{}
	for _, name := range settingNames {
		value, changed := set[name]
		if !changed {
			value = s.outing.settings[name]
		}
		if value != nil {
			all[name] = value
		}
	}
	if err := s.store.SetSettings(s.session.ID, encode(all)); err != nil {
		return err
	}
	s.outing.settings = all
	return nil
}

// apiEnd ends the outing.
func (s *Server) apiEnd(r *http.Request, fields object) (any, error) {
	ctx := r.Context()
	if _, err := s.instructorIn(r, fields); err != nil {
		return nil, err
	}
	if string(fields["anyway"]) != "true" {
		pairs, err := s.store.Pairs(ctx, s.session.ID)
		if err != nil {
			return nil, err
		}
		for _, p := range pairs {
			if err := s.betweenHolds(ctx, p); err != nil {
				return nil, err
			}
		}
	}
	ended, err := s.endOuting(s.shared.NowMs())
	if err != nil {
		return nil, err
	}
	return struct {
		EndedMs int64 `json:"ended_ms"`
	}{ended}, nil
}

// betweenHolds fails while a pair is in a hold.
func (s *Server) betweenHolds(ctx context.Context, p store.Pair) error {
	rm, release, err := s.rooms.Enter(p)
	if err != nil {
		return err
	}
	defer release()
	running, err := rm.InHold(ctx)
	if err == nil && running {
		err = problem("in-hold", fmt.Sprintf("a hold of pair %d is running: wait until its watch has ended", p.Number))
	}
	return err
}
