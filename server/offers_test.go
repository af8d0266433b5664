package server

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// told gives the last message of a type that a device got, waiting for it.
func (d *device) told(kind string) (found map[string]any) {
	d.h.t.Helper()
	for found == nil || found["type"] != kind {
		found = d.next()
	}
	return found
}

func (d *device) accept(offer map[string]any) (int, map[string]any) {
	d.h.t.Helper()
	return d.h.post("/api/accept", map[string]any{"token": d.token, "offer": offer["offer"]})
}

// Ensures that two phones exchange their roles when the other's holder accepts,
// between holds only.
func TestOneUpOneDown(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	offer := func() {
		buddy.send(map[string]any{"type": "offer", "to": diver.id, "pair": buddy.pair, "role": "buddy", "swap": true})
	}

	offer()
	made := diver.told("offer")
	require.Equal(t, "buddy", made["from"].(map[string]any)["role"])
	require.Equal(t, 1.0, made["number"])
	require.Equal(t, "sent", buddy.told("offered")["state"])
	diver.send(map[string]any{"type": "decline", "offer": made["offer"]})
	require.Equal(t, "declined", buddy.told("offered")["state"])
	status, answer := diver.accept(made)
	require.Equal(t, http.StatusNotFound, status)
	require.Equal(t, "no-offer", answer["code"])

	offer()
	made = diver.told("offer")
	buddy.told("offered")
	buddy.send(map[string]any{"type": "withdraw", "offer": made["offer"]})
	require.Equal(t, made["offer"], diver.told("offer-over")["offer"])

	// In a hold nobody is offered anything, and what was offered is over.
	offer()
	made = diver.told("offer")
	buddy.told("offered")
	began := h.shared.NowMs() - 10 // so that no end lies ahead
	buddy.record("h", "plan", began, map[string]any{"planned_s": 60})
	buddy.record("h", "start", began, nil)
	status, answer = diver.accept(made)
	require.Equal(t, http.StatusConflict, status)
	require.Equal(t, "in-hold", answer["code"])
	offer()
	require.Equal(t, "over", buddy.told("offered")["state"])
	require.Equal(t, "in-hold", buddy.told("offered")["code"])
	buddy.record("h", "surfaced", began+1, nil)
	buddy.record("h", "watch-ended", began+2, nil)

	offer()
	made = diver.told("offer")
	require.Equal(t, "sent", buddy.told("offered")["state"])
	status, answer = diver.accept(made)
	require.Equal(t, http.StatusOK, status, answer)
	require.Equal(t, "buddy", answer["role"])
	require.Equal(t, "accepted", buddy.told("offered")["state"])
	buddy.closed()
	diver.closed()
	require.Equal(t, "changed", buddy.bye)
	require.Equal(t, "diver", buddy.connect(nil).welcome["role"])
	require.Equal(t, "buddy", diver.connect(nil).welcome["role"])
}

// Ensures that a board moves phones to another pair, in one of its own making
// too, but only with their holder's word, and that a phone cannot.
func TestPairingAnew(t *testing.T) {
	h := newHost(t)
	a := h.join("new", "buddy").connect(nil)
	b := h.join("new", "diver").connect(nil)
	board := h.board()
	status, made := h.post("/api/pair", map[string]any{"token": board.token})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, 3.0, made["number"])
	board.until("its own pair", func() bool { return board.pairs[made["pair"].(string)] != nil })

	for _, d := range []*device{a, b} {
		board.send(map[string]any{"type": "offer", "to": d.id, "pair": made["pair"], "role": d.role})
		status, answer := d.accept(d.told("offer"))
		require.Equal(t, http.StatusOK, status, answer)
		require.Equal(t, made["pair"], answer["pair"])
		d.closed()
		d.pair = made["pair"].(string)
		d.connect(nil)
	}
	board.until("both in the new pair", func() bool { return len(board.pairs[a.pair]["devices"].([]any)) == 2 })

	c := h.join("new", "buddy").connect(nil)
	for what, offer := range map[string]map[string]any{
		"not-allowed": {"to": a.id, "pair": c.pair, "role": "diver"},
		"no-device":   {"to": access.NewID(), "pair": c.pair, "role": "diver"},
		"no-pair":     {"to": a.id, "pair": access.NewID(), "role": "diver"},
		"bad-role":    {"to": a.id, "pair": c.pair, "role": "instructor"},
		"bad-message": {"to": a.id, "pair": c.pair},
	} {
		offer["type"] = "offer"
		c.send(offer)
		refused := c.told("offered")
		require.Equal(t, "over", refused["state"])
		require.Equal(t, what, refused["code"])
	}
	require.NoError(t, b.ws.Close())
	waitFor(t, "the phone to be gone", func() bool { return len(h.srv.here.of(b.id)) == 0 })
	board.send(map[string]any{"type": "offer", "to": b.id, "pair": c.pair, "role": "diver"})
	board.until("a refusal", func() bool { return board.last("offered")["code"] == "not-here" })
}

// Ensures that an exchange gives nobody a place but the diver's and the buddy's, neither when it is offered nor when a role
// has changed until it is accepted.
func TestH11SwapsAreOfDiverAndBuddy(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	instructor := h.join(buddy.pair, "instructor").connect(nil)
	siren := h.join(buddy.pair, "siren").connect(nil)
	for _, c := range []struct {
		from, to *device
		role     string
	}{
		{buddy, instructor, "buddy"}, {buddy, siren, "buddy"}, {buddy, diver, "siren"},
		{siren, diver, "siren"}, {siren, buddy, "diver"}, {instructor, buddy, "diver"},
	} {
		c.from.send(map[string]any{"type": "offer", "to": c.to.id, "pair": buddy.pair, "role": c.role, "swap": true})
		refused := c.from.told("offered")
		require.Equal(t, "over", refused["state"], "%s to %s", c.from.role, c.to.role)
		require.Equal(t, "not-allowed", refused["code"], "%s to %s", c.from.role, c.to.role)
	}

	for _, now := range []struct{ role, secret string }{{"siren", h.srv.secret}, {"instructor", h.srv.instructorSecret}} {
		buddy.send(map[string]any{"type": "offer", "to": diver.id, "pair": buddy.pair, "role": "buddy", "swap": true})
		made := diver.told("offer")
		require.Equal(t, "sent", buddy.told("offered")["state"])
		change := func(role string) {
			status, answer := h.post("/api/join", map[string]any{"token": diver.token, "secret": now.secret, "pair": buddy.pair, "role": role, "device": diver.id, "name": ""})
			require.Equal(t, http.StatusOK, status, answer)
		}
		change(now.role)
		status, answer := diver.accept(made)
		require.Equal(t, http.StatusForbidden, status)
		require.Equal(t, "not-allowed", answer["code"])
		require.Equal(t, "over", buddy.told("offered")["state"])
		change("diver")
		diver.closed()
		diver.connect(nil)
	}
	status, _ := h.post("/api/pair", map[string]any{"token": buddy.token})
	require.Equal(t, http.StatusForbidden, status, "the buddy never got an instructor's right")
}

// mayOffer is who may do what about a place of the diver's phone: offer it one in
// its own pair (offer), or the own role there for its own (exchange), or one in
// another pair (move); and answer or take back what the buddy's phone offered it.
var mayOffer = map[string]string{
	"the one it is made to": "accept decline", "the one who makes it": "offer exchange withdraw", "a third of the pair": "offer exchange", "a siren of the pair": "offer",
	"another pair's": "", "another pair's instructor": "", "a siren for all": "", "the instructor of all": "offer move",
}

// Ensures that an offer is made, taken, declined and withdrawn by those alone
// whose it is, and stays open whatever the others send.
func TestH11OffersEveryActEveryRole(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	other := h.join("new", "buddy").connect(nil)
	devices := map[string]*device{
		"the one it is made to": diver, "the one who makes it": buddy, "a third of the pair": h.join(buddy.pair, "buddy").connect(nil),
		"a siren of the pair": h.join(buddy.pair, "siren").connect(nil),
		"another pair's":      other, "another pair's instructor": h.join(other.pair, "instructor").connect(nil),
		"a siren for all": (&watcher{device: h.join("", "siren")}).open().device, "the instructor of all": h.board().device,
	}
	isOpen := func(id string) bool {
		h.srv.offers.mu.Lock()
		defer h.srv.offers.mu.Unlock()
		return h.srv.offers.open[id] != nil
	}
	offer := func(from *device, pair string, swap bool) map[string]any {
		from.send(map[string]any{"type": "offer", "to": diver.id, "pair": pair, "role": "diver", "swap": swap})
		told := from.told("offered")
		for told["state"] != "sent" && told["code"] == nil { // of the one before
			told = from.told("offered")
		}
		return told
	}
	for who, acts := range mayOffer {
		d := devices[who]
		may := func(act string) bool { return strings.Contains(" "+acts+" ", " "+act+" ") }
		for act, pair := range map[string]string{"offer": buddy.pair, "exchange": buddy.pair, "move": other.pair} {
			made := offer(d, pair, act == "exchange")
			require.Equal(t, may(act), made["state"] == "sent", "%s: %s", who, act)
			if may(act) {
				h.srv.offers.over(made["offer"].(string), "over")
			} else {
				require.Equal(t, "not-allowed", made["code"], "%s: %s", who, act)
			}
		}
		for _, act := range []string{"accept", "decline", "withdraw"} {
			made := offer(buddy, buddy.pair, false) // of the place it has, so that nobody moves
			id := made["offer"].(string)
			if act == "accept" {
				status, answer := d.accept(made)
				require.Equal(t, may(act), status == http.StatusOK, "%s: %s", who, act)
				if !may(act) {
					require.Equal(t, "no-offer", answer["code"], who)
				}
			} else {
				d.send(map[string]any{"type": act, "offer": id})
				d.send(map[string]any{"type": "time", "t1": 1}) // answered after it
				d.told("time")
			}
			require.Equal(t, !may(act), isOpen(id), "%s: %s", who, act)
			h.srv.offers.over(id, "over")
		}
	}
}

// Ensures that nobody leaves a pair in the middle of its hold, while a phone may
// stand in for another of its own pair.
func TestNobodyLeavesAHold(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver")
	other := h.join("new", "buddy")
	now := h.shared.NowMs()
	buddy.record("h", "plan", now, map[string]any{"planned_s": 60})
	move := func(d *device, pair, role string) (int, any) {
		status, answer := h.post("/api/join", map[string]any{"token": d.token, "pair": pair, "role": role, "device": d.id, "name": ""})
		return status, answer["code"]
	}
	status, _ := move(diver, other.pair, "diver")
	require.Equal(t, http.StatusOK, status, "planned is not yet a hold")
	status, _ = move(diver, buddy.pair, "diver")
	require.Equal(t, http.StatusOK, status)
	buddy.record("h", "start", now, nil)
	for _, pair := range []string{other.pair, "new"} {
		status, code := move(diver, pair, "diver")
		require.Equal(t, http.StatusConflict, status)
		require.Equal(t, "in-hold", code)
	}
	// Nor does the last buddy give the place away, which would also be a way round.
	for _, role := range []string{"siren", "diver"} {
		status, code := move(buddy, buddy.pair, role)
		require.Equal(t, http.StatusConflict, status, role)
		require.Equal(t, "in-hold", code)
	}
	status, _ = move(diver, buddy.pair, "buddy")
	require.Equal(t, http.StatusOK, status, "somebody stands in")
	status, _ = move(buddy, buddy.pair, "siren")
	require.Equal(t, http.StatusOK, status)
	status, _ = move(diver, buddy.pair, "siren")
	require.Equal(t, http.StatusConflict, status, "now this is the last buddy")
}
