package server

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"rsc.io/qr"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

// maxNameSigns bounds the name of a device or a person.
const maxNameSigns = 80

// newPair is what a device says that begins a pair.
const newPair = "new"

// apiCode exchanges a typed code for the join secret.
func (s *Server) apiCode(r *http.Request, fields object) (any, error) {
	code, err := fields.text("code", 32)
	if err != nil {
		return nil, err
	}
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	if !s.codeTries.Allow(r.RemoteAddr) {
		return nil, problem("too-many-tries", "there were too many tries from here; wait a minute, or scan the code picture instead")
	}
	if !s.codes.Try(code) {
		return nil, problem("bad-code", "this code is wrong or no longer good; look at the host or the first phone for the present one")
	}
	return map[string]string{"secret": s.secret}, nil
}

type pairJSON struct {
	Pair    string       `json:"pair"`
	Number  int          `json:"number"`
	Diver   string       `json:"diver"`
	Buddy   string       `json:"buddy"`
	Devices []deviceJSON `json:"devices"`
}

type deviceJSON struct {
	Device string `json:"device"`
	Role   string `json:"role"`
	Name   string `json:"name"`
}

// apiPairs lists the pairs of the session to somebody who is about to join.
func (s *Server) apiPairs(r *http.Request, fields object) (any, error) {
	secret, err := fields.text("secret", 128)
	if err != nil {
		return nil, err
	}
	may := s.rightOf(secret)
	if may == mayNothing {
		return nil, badSecret()
	}
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	ctx := r.Context()
	pairs, err := s.store.Pairs(ctx, s.session.ID)
	if err != nil {
		return nil, err
	}
	devices, err := s.store.Devices(ctx, s.session.ID)
	if err != nil {
		return nil, err
	}
	list := make([]pairJSON, len(pairs))
	for i, p := range pairs {
		list[i] = pairJSON{Pair: p.ID, Number: p.Number, Devices: []deviceJSON{}}
		for _, d := range devices {
			if d.Pair == p.ID {
				list[i].Devices = append(list[i].Devices, deviceJSON{d.ID, d.Role, d.Name})
			}
		}
		plan, err := s.store.NewestPlan(ctx, p.ID)
		if err != nil {
			return nil, err
		}
		list[i].Diver, list[i].Buddy = namesIn(plan)
	}
	return struct {
		Session    string     `json:"session"`
		Instructor bool       `json:"instructor"` // whether the secret opens the instructor's place
		Pairs      []pairJSON `json:"pairs"`
		Simulated  bool       `json:"simulated,omitempty"` // the people are
	}{s.session.ID, may == mayInstruct, list, s.simulated}, nil
}

// namesIn reads the people's names from a plan; one that is no text counts as none.
func namesIn(plan []byte) (diver, buddy string) {
	var fields object
	if json.Unmarshal(plan, &fields) != nil {
		return "", ""
	}
	diver, _ = fields.text("diver", 4*maxNameSigns)
	buddy, _ = fields.text("buddy", 4*maxNameSigns)
	return diver, buddy
}

// right is what a secret or a token opens.
type right int

const (
	mayNothing right = iota
	mayJoin
	mayInstruct // and join
)

// rightOf tells what a join secret opens.
func (s *Server) rightOf(secret string) right {
	switch {
	case access.Same(s.instructorSecret, secret):
		return mayInstruct
	case access.Same(s.secret, secret):
		return mayJoin
	}
	return mayNothing
}

func badSecret() error {
	return problem("bad-secret", "this link is no longer good, as the host was started anew; scan the code picture again")
}

func deviceTaken() error {
	return problem("device-taken", "another device has this id; take a new one, and join again")
}

// joining is a request to join, or to change one's place.
type joining struct {
	pair, role, device, name string
	member                   *store.Device // what it was until now, or nil
	token                    string        // of a member
}

type joinedJSON struct {
	Token   string `json:"token"`
	Device  string `json:"device"`
	Pair    string `json:"pair"`
	Session string `json:"session"`
	Role    string `json:"role"`
}

// apiJoin lets a device in. A secret makes it a member. A member's token lets it
// change its pair, role or name, also after the host was started anew; the
// token stays the same.
func (s *Server) apiJoin(r *http.Request, fields object) (any, error) {
	ctx := r.Context()
	j, err := readJoining(fields)
	if err != nil {
		return nil, err
	}
	if err := s.authorize(ctx, fields, &j); err != nil {
		return nil, err
	}
	if err := s.mayJoin(ctx, j); err != nil {
		return nil, err
	}
	if j.member == nil {
		// Admit will see to it; here it spares an empty pair.
		if taken, err := s.store.IsDevice(ctx, j.device); err != nil || taken {
			return nil, cmp.Or(err, deviceTaken())
		}
	}
	pair, err := s.pairToJoin(ctx, j)
	if err != nil {
		return nil, err
	}
	d := store.Device{ID: j.device, Session: s.session.ID, Pair: pair.ID, Role: j.role, Name: j.name}
	if j.member != nil {
		err = s.store.Move(d)
	} else {
		var hash []byte
		j.token, hash = access.NewToken()
		err = s.store.Admit(d, hash)
	}
	switch {
	case errors.Is(err, store.ErrDeviceTaken):
		return nil, deviceTaken()
	case err != nil:
		return nil, err
	}
	if j.member != nil {
		s.refresh(ctx, *j.member)
	}
	s.refresh(ctx, d)
	return joinedJSON{j.token, d.ID, d.Pair, d.Session, d.Role}, nil
}

// mayJoin refuses what would leave a pair in the middle of its hold, and more
// devices than an outing can have.
func (s *Server) mayJoin(ctx context.Context, j joining) error {
	if err := s.goesOn(); err != nil {
		return err
	}
	s.signOfLife()
	if m := j.member; m != nil {
		return s.mayChange(ctx, *m, j)
	}
	devices, err := s.store.Devices(ctx, s.session.ID)
	if err == nil && len(devices) >= s.limits.Devices {
		err = problem("too-many-devices", "this outing has as many devices as it can have; remove some from the board")
	}
	return err
}

// mayChange refuses to take a phone out of its pair in a hold, and the buddy's place from
// a pair's last buddy there.
func (s *Server) mayChange(ctx context.Context, m store.Device, j joining) error {
	if m.Pair == "" || m.Session != s.session.ID || (m.Role != protocol.RoleBuddy && m.Role != protocol.RoleDiver) {
		return nil
	}
	if m.Pair == j.pair {
		if m.Role != protocol.RoleBuddy || j.role == protocol.RoleBuddy {
			return nil
		}
		devices, err := s.store.Devices(ctx, m.Session)
		if err != nil {
			return err
		}
		isOther := func(d store.Device) bool {
			return d.ID != m.ID && d.Pair == m.Pair && d.Role == protocol.RoleBuddy
		}
		if slices.ContainsFunc(devices, isOther) {
			return nil
		}
	}
	from, err := s.store.Pair(ctx, m.Pair)
	if err != nil {
		return err
	}
	return s.betweenHolds(ctx, from)
}

// addPair makes a pair, unless the outing has as many as it can have.
func (s *Server) addPair(ctx context.Context) (store.Pair, error) {
	pairs, err := s.store.Pairs(ctx, s.session.ID)
	if err != nil {
		return store.Pair{}, err
	}
	if len(pairs) >= s.limits.Pairs {
		return store.Pair{}, problem("too-many-pairs", "this outing has as many pairs as it can have")
	}
	p, err := s.store.AddPair(access.NewID(), s.session.ID)
	if err != nil {
		return p, err
	}
	for _, in := range s.boards.list() {
		if err := in.watch(context.WithoutCancel(ctx), p); err != nil {
			s.log.Error("a board could not be shown a new pair", "pair", p.Number, "reason", err)
		}
	}
	return p, nil
}

// pairOfOuting gives a pair of the present outing.
func (s *Server) pairOfOuting(ctx context.Context, id string) (store.Pair, error) {
	p, err := s.store.Pair(ctx, id)
	if errors.Is(err, store.ErrUnknown) || (err == nil && p.Session != s.session.ID) {
		return p, problem("no-pair", "this pair is not of the present outing")
	}
	return p, err
}

func readJoining(fields object) (j joining, err error) {
	for _, f := range []struct {
		key  string
		into *string
		max  int
	}{
		{"pair", &j.pair, protocol.MaxIDBytes}, {"role", &j.role, protocol.MaxByBytes},
		{"device", &j.device, protocol.MaxIDBytes}, {"name", &j.name, 4 * maxNameSigns},
	} {
		if *f.into, err = fields.text(f.key, f.max); err != nil {
			return j, err
		}
	}
	j.name = strings.TrimSpace(j.name)
	switch {
	case !access.IsRole(j.role):
		return j, problem("bad-role", "`role` is none of diver, buddy, siren, instructor")
	case !access.IsDeviceID(j.device):
		return j, problem("bad-device", "`device` is not a device id")
	case utf8.RuneCountInString(j.name) > maxNameSigns || strings.ContainsFunc(j.name, isUnseen):
		return j, problem("bad-name", "`name` has more than 80 signs, or some that cannot be shown")
	}
	return j, nil
}

// isUnseen tells whether a sign shows nothing of its own, or turns others round, so that
// one name could pass for another. Two that join letters are part of real names.
func isUnseen(r rune) bool {
	const nonJoiner, joiner = '\u200c', '\u200d'
	return r != nonJoiner && r != joiner && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
}

// authorize finds out who asks to join, and whether they may.
func (s *Server) authorize(ctx context.Context, fields object, j *joining) error {
	may := mayNothing
	if _, given := fields["secret"]; given {
		secret, err := fields.text("secret", 128)
		if err != nil {
			return err
		}
		may = s.rightOf(secret)
	}
	if _, given := fields["token"]; given {
		token, err := fields.text("token", 128)
		if err != nil {
			return err
		}
		d, err := s.store.DeviceByToken(ctx, access.HashToken(token))
		switch {
		case err != nil && !errors.Is(err, store.ErrUnknown):
			return err
		case err == nil && d.ID != j.device:
			return problem("bad-token", "this token belongs to another device")
		case err == nil:
			j.member, j.token = &d, token
			may = max(may, s.rightOfMember(d))
		}
	}
	switch {
	case may == mayNothing:
		return badSecret()
	case may < mayInstruct && j.role == protocol.RoleInstructor:
		return problem("not-allowed", "an instructor joins by the instructor's link")
	}
	return nil
}

// rightOfMember tells what a token opens. One of an earlier outing is no way
// into this one.
func (s *Server) rightOfMember(d store.Device) right {
	switch {
	case d.Session != s.session.ID:
		return mayNothing
	case d.Role == protocol.RoleInstructor:
		return mayInstruct
	}
	return mayJoin
}

// pairToJoin finds or makes the pair. An instructor or a siren may join none,
// and so all.
func (s *Server) pairToJoin(ctx context.Context, j joining) (store.Pair, error) {
	switch {
	case j.pair == newPair:
		return s.addPair(ctx)
	case (j.role == protocol.RoleInstructor || j.role == protocol.RoleSiren) && j.pair == "":
		return store.Pair{Session: s.session.ID}, nil
	}
	return s.pairOfOuting(ctx, j.pair)
}

// refresh tells the live pairs that a device came, moved or left. A device
// without a pair belongs to all of them.
func (s *Server) refresh(ctx context.Context, devices ...store.Device) {
	pairs, err := s.store.Pairs(ctx, s.session.ID)
	if err != nil {
		s.log.Error("the pairs could not be read", "reason", err)
		return
	}
	for _, p := range pairs {
		if slices.ContainsFunc(devices, func(d store.Device) bool {
			return d.ID != "" && (d.Pair == p.ID || d.Pair == "")
		}) {
			s.rooms.Refresh(p)
		}
	}
}

// apiInvite tells a member how the next device gets in.
func (s *Server) apiInvite(r *http.Request, fields object) (any, error) {
	token, err := fields.text("token", 128)
	if err != nil {
		return nil, err
	}
	d, err := s.deviceOf(r.Context(), token)
	if err != nil {
		return nil, err
	}
	if d.Session != s.session.ID {
		return nil, outingEnded()
	}
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	urls := s.urlsFor(r)
	for i := range urls {
		urls[i] += s.JoinPath()
	}
	rows, err := qrRows(urls[0])
	if err != nil {
		return nil, err
	}
	code, left := s.codes.Show()
	return struct {
		Secret      string   `json:"secret"`
		Code        string   `json:"code"`
		CodeUntilMs int64    `json:"code_until_ms"` // shared time
		URLs        []string `json:"urls"`
		QR          []string `json:"qr"` // of urls[0]; 1 is dark
	}{s.secret, code, s.shared.NowMs() + left.Milliseconds(), urls, rows}, nil
}

// urlsFor puts first the address by which this device came, as the next one
// will most likely reach us by it too.
func (s *Server) urlsFor(r *http.Request) []string {
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	own := scheme + r.Host
	urls := slices.DeleteFunc(s.urls(), func(u string) bool { return u == own })
	name := hostName(r.Host)
	if ip := net.ParseIP(name); (name == "localhost" || (ip != nil && ip.IsLoopback())) && len(urls) > 0 {
		return append(urls, own)
	}
	return append([]string{own}, urls...)
}

func qrRows(text string) ([]string, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, err
	}
	rows := make([]string, code.Size)
	for y := range rows {
		row := make([]byte, code.Size)
		for x := range row {
			row[x] = '0'
			if code.Black(x, y) {
				row[x] = '1'
			}
		}
		rows[y] = string(row)
	}
	return rows, nil
}

// apiLeave ends a device's membership.
func (s *Server) apiLeave(r *http.Request, fields object) (any, error) {
	token, err := fields.text("token", 128)
	if err != nil {
		return nil, err
	}
	d, err := s.deviceOf(r.Context(), token)
	if err != nil {
		return nil, err
	}
	if err := s.store.Remove(d.ID); err != nil {
		return nil, err
	}
	s.refresh(r.Context(), d)
	return struct{}{}, nil
}
