package server

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/access"
)

// mayRecord is who may record what, written down by hand from PROTOCOL.md, 2.5.
// b, d, i, s are buddy, diver, instructor and siren.
var mayRecord = map[string]string{
	"plan": "b i", "breathe-up": "b d i", "start": "b d i", "look": "b", "asked": "b",
	"answered": "b d", "no-answer": "b d i", "contraction": "b d i", "sign": "b d i",
	"reading": "b d i", "end-hold": "b i", "surfaced": "b", "awake": "b", "ok": "b",
	"incident": "b d i", "with-them": "b d i", "step": "b d i", "recovered": "b",
	"watch-ended": "b", "verdict": "b d i", "note": "b d i", "amend": "b d i",
	"sounded": "b d i s", "place": "b d i", "sound-check": "b d i s",
	"profile": "b d i", "series": "b d i", "going": "i", "a-kind-of-tomorrow": "b d i",
}

// Ensures that every kind of event is taken from the roles that may record it,
// and from no other, also where a device claims a role it does not have.
func TestH11EveryKindEveryRole(t *testing.T) {
	for _, kind := range protocol.Kinds {
		require.Contains(t, mayRecord, kind, "a kind without a line in the table")
	}
	h := newHost(t)
	buddy := h.join("new", "buddy")
	roles := []string{"buddy", "diver", "instructor", "siren"}
	devices := map[string]*device{"buddy": buddy.connect(nil)}
	for _, role := range roles[1:] {
		devices[role] = h.join(buddy.pair, role).connect(nil)
	}
	for kind, who := range mayRecord {
		for _, role := range roles {
			d := devices[role]
			own := d.event("h", kind, h.shared.NowMs(), nil)
			d.offer(own)
			id := own["id"].(string)
			d.until("an answer", func() bool { return d.hasStored(id) || d.wasRefused(id) })
			allowed := strings.Contains(" "+who, " "+role[:1])
			require.Equal(t, allowed, d.hasStored(id), "%s from %s", kind, role)
			if !allowed {
				require.Equal(t, "role", d.refusedFor(id))
			}
			for _, claimed := range append([]string{"", "captain"}, roles...) {
				if claimed == role {
					continue
				}
				forged := d.event("h", kind, h.shared.NowMs(), nil)
				forged["by"] = claimed
				d.offer(forged)
				id := forged["id"].(string)
				d.until("a refusal", func() bool { return d.wasRefused(id) })
				require.Equal(t, "role", d.refusedFor(id), "%s from %s as %q", kind, role, claimed)
			}
		}
	}
}

// Ensures that a device of one pair can neither read nor write another pair.
func TestH11PairsAreApart(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy").connect(nil)
	b := h.join("new", "buddy").connect(nil)
	require.NotEqual(t, a.welcome["number"], b.welcome["number"])

	forged := b.event("h", "answered", h.shared.NowMs(), nil)
	a.offer(forged)
	a.until("a refusal", func() bool { return a.wasRefused(forged["id"].(string)) })
	require.Equal(t, "not-of-pair", a.refusedFor(forged["id"].(string)))

	status, answer := h.post("/api/events", map[string]any{"token": a.token, "pair": b.pair, "events": []any{}})
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "not-of-pair", answer["code"])

	mine := a.record("h", "note", h.shared.NowMs(), nil)
	b.record("h", "note", h.shared.NowMs(), nil)
	require.False(t, b.sees(mine["id"].(string)))
}

// Ensures that what one phone of a pair kept for another that is gone is taken,
// and under the roles of the one that recorded it.
func TestEventsOfAnotherDeviceOfThePair(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver")
	kept := diver.sealed(diver.event("h", "answered", h.shared.NowMs(), nil))
	wrong := diver.sealed(diver.event("h", "look", h.shared.NowMs(), nil))
	buddy.offer(kept, wrong)
	buddy.until("both answers", func() bool {
		return buddy.hasStored(kept["id"].(string)) && buddy.wasRefused(wrong["id"].(string))
	})
	require.Equal(t, "role", buddy.refusedFor(wrong["id"].(string)))
	diver.connect(nil)
	require.Len(t, diver.hold.Events(), 1)
}

// Ensures that the token of a device that left opens nothing any more, that its
// socket ends, and that what it recorded stays.
func TestH11TokenOfARemovedDevice(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	note := diver.record("h", "note", h.shared.NowMs(), nil)
	status, _ := h.post("/api/leave", map[string]any{"token": diver.token})
	require.Equal(t, http.StatusOK, status)
	diver.closed()
	require.Equal(t, "removed", diver.bye)

	ws, _, err := h.dial(nil)
	require.NoError(t, err)
	defer ws.Close()
	replay := &device{h: h, ws: ws}
	replay.send(map[string]any{"type": "hello", "v": 1, "token": diver.token, "pair": diver.pair, "device": diver.id})
	replay.closed()
	require.Equal(t, "bad-token", replay.errors[0]["code"])
	for _, path := range []string{"/api/invite", "/api/leave", "/api/events"} {
		status, answer := h.post(path, map[string]any{"token": diver.token, "pair": diver.pair, "events": []any{}})
		require.Equal(t, http.StatusUnauthorized, status, path)
		require.Equal(t, "bad-token", answer["code"])
	}
	status, answer := h.post("/api/join", map[string]any{"token": diver.token, "pair": diver.pair, "role": "buddy", "device": diver.id, "name": ""})
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "bad-secret", answer["code"])

	later := h.join(buddy.pair, "buddy").connect(nil)
	require.True(t, later.sees(note["id"].(string)))
}

// Ensures that only the instructor's link makes an instructor, and that an
// instructor without a pair reaches every pair of the outing.
func TestH11InstructorNeedsTheInstructorsLink(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	status, answer := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": buddy.pair, "role": "instructor", "device": access.NewID(), "name": ""})
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "not-allowed", answer["code"])
	status, answer = h.post("/api/join", map[string]any{"token": buddy.token, "pair": buddy.pair, "role": "instructor", "device": buddy.id, "name": ""})
	require.Equal(t, http.StatusForbidden, status)
	require.Equal(t, "not-allowed", answer["code"])

	chief := h.join("", "instructor")
	require.Empty(t, chief.pair)
	chief.pair = buddy.pair
	chief.connect(nil)
	end := chief.record("h", "end-hold", h.shared.NowMs(), nil)
	buddy.until("the end of the hold", func() bool { return buddy.sees(end["id"].(string)) })
	other := h.join("new", "diver").connect(nil)
	chief.pair = other.pair
	chief.connect(nil)
}

// Ensures that a device keeps its token when it takes another role, that its
// old role ends, and that events from before arrive all the same.
func TestRolesCanBeSwapped(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy").connect(nil)
	late := a.event("h", "look", h.shared.NowMs(), nil)
	status, answer := h.post("/api/join", map[string]any{"token": a.token, "pair": a.pair, "role": "diver", "device": a.id, "name": "Ilse"})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, a.token, answer["token"])
	a.closed()
	require.Equal(t, "changed", a.bye)
	a.role = "diver"
	a.connect(nil)
	require.Equal(t, "diver", a.welcome["role"])
	a.record("h", "answered", h.shared.NowMs(), nil)
	a.offer(late)
	a.until("the late look", func() bool { return a.hasStored(late["id"].(string)) })
}

// Ensures that a former role is worth nothing for what happens after it.
func TestH11AFormerRoleEnds(t *testing.T) {
	h, mock := newMockHost(t)
	a := h.join("new", "buddy")
	h.post("/api/join", map[string]any{"token": a.token, "pair": a.pair, "role": "diver", "device": a.id, "name": ""})
	mock.Add(6 * time.Second)
	a.connect(nil)
	look := a.event("h", "look", h.shared.NowMs(), nil)
	a.offer(look)
	a.until("a refusal", func() bool { return a.wasRefused(look["id"].(string)) })
	require.Equal(t, "role", a.refusedFor(look["id"].(string)))
}

// Ensures that a device id cannot be taken over without its token.
func TestH11DeviceIDsAreNotTakenOver(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy")
	pairs := func() int {
		_, answer := h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
		return len(answer["pairs"].([]any))
	}
	before := pairs()
	for _, body := range []map[string]any{
		{"secret": h.srv.secret},
		{"secret": h.srv.secret, "token": "guessed"},
	} {
		body["pair"], body["role"], body["device"], body["name"] = "new", "buddy", a.id, ""
		status, answer := h.post("/api/join", body)
		require.Equal(t, http.StatusConflict, status)
		require.Equal(t, "device-taken", answer["code"])
	}
	require.Equal(t, before, pairs(), "a join that failed leaves no pair behind")
	b := h.join("new", "buddy")
	status, answer := h.post("/api/join", map[string]any{"token": b.token, "pair": a.pair, "role": "buddy", "device": a.id, "name": ""})
	require.Equal(t, http.StatusUnauthorized, status)
	require.Equal(t, "bad-token", answer["code"])
}

// Ensures that codes open the session, and that guessing them is cut off: five
// tries a minute from an address, thirty in all.
func TestH11CodeGuessingIsCutOff(t *testing.T) {
	h, mock := newMockHost(t)
	code, left := h.srv.Code()
	require.Equal(t, 10*time.Minute, left)
	require.Regexp(t, "^[0-9A-HJKMNP-TV-Z]{6}$", code)

	typed := strings.ToLower(code[:3]) + " - " + code[3:]
	status, answer := h.post("/api/code", map[string]any{"code": typed})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, h.srv.secret, answer["secret"])

	guess := func() (int, any) {
		status, answer := h.post("/api/code", map[string]any{"code": "000000"})
		return status, answer["code"]
	}
	for range 4 {
		status, code := guess()
		require.Equal(t, http.StatusForbidden, status)
		require.Equal(t, "bad-code", code)
	}
	status, answer["code"] = guess()
	require.Equal(t, http.StatusTooManyRequests, status)
	require.Equal(t, "too-many-tries", answer["code"])

	// The others come at a pace that the address is allowed.
	for range 26 {
		mock.Add(12 * time.Second)
		status, _ = guess()
		require.Equal(t, http.StatusForbidden, status)
	}
	mock.Add(12 * time.Second)
	status, _ = h.post("/api/code", map[string]any{"code": code})
	require.Equal(t, http.StatusForbidden, status, "after thirty wrong ones the right code is void too")

	mock.Add(time.Minute)
	fresh, _ := h.srv.Code()
	require.NotEqual(t, code, fresh)
	status, _ = h.post("/api/code", map[string]any{"code": fresh})
	require.Equal(t, http.StatusOK, status)
	mock.Add(10 * time.Minute)
	status, _ = h.post("/api/code", map[string]any{"code": fresh})
	require.Equal(t, http.StatusForbidden, status, "a code ends after ten minutes")
}

// Ensures that a flood of requests from one address is answered with a refusal,
// and passes.
func TestRequestsPerAddressAreLimited(t *testing.T) {
	h, mock := newMockHost(t)
	ask := func() int {
		status, _ := h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
		return status
	}
	n := 0
	for ; ask() == http.StatusOK; n++ {
		require.Less(t, n, 1000)
	}
	require.Greater(t, n, 50)
	mock.Add(time.Minute)
	require.Equal(t, http.StatusOK, ask())
}

// Ensures that a token is nowhere in the data file, and a secret neither.
func TestH21TokensAreKeptAsHashesOnly(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	buddy.record("h", "note", h.shared.NowMs(), nil)
	secrets := []string{buddy.token, h.srv.secret, h.srv.instructorSecret}
	h.stop()
	for _, name := range filesIn(t, h.dir) {
		text := readFile(t, name)
		require.NotEmpty(t, text, name)
		for _, s := range secrets {
			require.NotContains(t, text, s)
		}
	}
	h2 := startHost(t, h.dir, clock.New())
	buddy.h = h2
	buddy.connect(nil)
}
