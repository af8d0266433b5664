package server

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
)

// request sends one request as it stands, whatever a page would send.
func (h *host) request(method, path, host, origin, body string) (*http.Response, map[string]any) {
	h.t.Helper()
	req, err := http.NewRequest(method, h.url, strings.NewReader(body))
	require.NoError(h.t, err)
	req.URL.Opaque = path // as it is, without being tidied
	req.Host = host
	if origin != "" {
		req.Header.Set("Origin", origin)
	}
	resp, err := h.client.Do(req)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	var text bytes.Buffer
	_, err = text.ReadFrom(resp.Body)
	require.NoError(h.t, err)
	var answer map[string]any
	json.Unmarshal(text.Bytes(), &answer)
	return resp, answer
}

// routes are all that the server answers to.
var routes = []string{
	"GET /", "GET /sw.js", "GET /healthz", "GET /v/x/app.js", "GET /no-such-file", "GET /socket", "GET /api/join",
	"POST /api/code", "POST /api/pairs", "POST /api/join", "POST /api/invite", "POST /api/events", "POST /api/leave",
	"POST /api/pair", "POST /api/outing", "POST /api/end", "POST /api/devices", "POST /api/remove", "POST /api/accept",
	"POST /api/log", "POST /api/export", "POST /api/import", "POST /api/erase",
}

// Ensures that on every route a foreign Host is refused, requests of foreign
// pages change nothing, and every answer tells browsers to be strict.
func TestH21EveryRouteIsGuarded(t *testing.T) {
	h := newHost(t)
	own := strings.TrimPrefix(h.url, "http://")
	_, port, err := net.SplitHostPort(own)
	require.NoError(t, err)
	strict := func(resp *http.Response, what string) {
		csp := resp.Header.Get("Content-Security-Policy")
		for _, rule := range []string{"default-src 'self'", "object-src 'none'", "base-uri 'none'", "form-action 'none'", "frame-ancestors 'none'"} {
			require.Contains(t, csp, rule, what)
		}
		require.NotContains(t, csp, "unsafe", what)
		for name, value := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
			"Set-Cookie": "", "Access-Control-Allow-Origin": "",
		} {
			require.Equal(t, value, resp.Header.Get(name), "%s: %s", what, name)
		}
		require.Contains(t, resp.Header.Get("Permissions-Policy"), "camera=()", what)
	}
	for _, route := range routes {
		method, path, _ := strings.Cut(route, " ")
		resp, _ := h.request(method, path, own, "", "{}")
		strict(resp, route)
		if resp.StatusCode == http.StatusOK && path == "/" {
			require.Contains(t, resp.Header.Get("Content-Security-Policy"), "connect-src 'self' ws://"+own)
		}
		for _, rebound := range []string{"pool.invalid:" + port, "127.0.0.1.pool.invalid", "203.0.113.9:" + port, "localhost@pool.invalid", ""} {
			resp, answer := h.request(method, path, rebound, "http://"+rebound, "{}")
			strict(resp, route)
			if rebound == "" { // Go's client then says where it connects to
				continue
			}
			require.Contains(t, []int{http.StatusMisdirectedRequest, http.StatusBadRequest}, resp.StatusCode, "%s for %q", route, rebound)
			if resp.StatusCode == http.StatusMisdirectedRequest {
				require.Equal(t, "bad-host", answer["code"])
			}
		}
		if method != http.MethodPost && path != "/socket" {
			continue
		}
		for _, foreign := range []string{"http://pool.invalid", "null", "https://" + own, "http://" + own + ".pool.invalid", "http://localhost"} {
			resp, answer := h.request(method, path, own, foreign, "{}")
			require.Equal(t, http.StatusForbidden, resp.StatusCode, "%s from %q", route, foreign)
			require.Equal(t, "bad-origin", answer["code"])
			strict(resp, route)
		}
	}
}

// Ensures that no spelling of a path leads out of the page's own files.
func TestPathTricks(t *testing.T) {
	h := newHost(t)
	own := strings.TrimPrefix(h.url, "http://")
	for _, path := range []string{
		"/v/../../../../etc/passwd", "/v/%2e%2e/%2e%2e/go.mod", "/v/x/..%2f..%2fgo.mod", "/v//etc/passwd", "/../server.go",
		"/v/x/%00app.js", "/v/x/app.js%00.css", "/v/x/\\..\\go.mod", "/sw.js/../../go.mod", "/api/../buddyclock.db", "/buddyclock.db", "/.git/config",
	} {
		resp, _ := h.request(http.MethodGet, path, own, "", "")
		require.Contains(t, []int{http.StatusNotFound, http.StatusBadRequest, http.StatusMovedPermanently, http.StatusTemporaryRedirect, http.StatusOK}, resp.StatusCode, path)
		if resp.StatusCode == http.StatusOK { // Go's client follows what was tidied
			require.Contains(t, resp.Header.Get("Content-Type"), "text/html", path)
		}
	}
	for _, method := range []string{"PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD", "GET"} {
		resp, _ := h.request(method, "/api/events", own, "", "")
		require.Equal(t, http.StatusMethodNotAllowed, resp.StatusCode, method)
	}
}

// mayAsk is which role's token opens which request: all that a stranger must not
// do. m is any member, i an instructor of the whole outing.
var mayAsk = map[string]string{
	"/api/invite": "m i", "/api/devices": "m i", "/api/outing": "i", "/api/pair": "i", "/api/remove": "i", "/api/end": "i",
	"/api/events": "m i", "/api/accept": "m i", "/api/leave": "m i",
	"/api/log": "b i", "/api/export": "b i", "/api/erase": "b i",
}

// Ensures that every request is answered to those alone who may make it.
func TestH11EveryRequestEveryRole(t *testing.T) {
	for path, who := range mayAsk {
		t.Run(path, func(t *testing.T) {
			h := newHost(t)
			buddy := h.join("new", "buddy")
			lost := h.join(buddy.pair, "siren")
			require.NoError(t, h.store.Remove(lost.id))
			tokens := map[string]string{
				"buddy": buddy.token, "diver": h.join(buddy.pair, "diver").token, "siren": h.join(buddy.pair, "siren").token,
				"removed": lost.token, "guessed": strings.Repeat("A", 43), "none": "", "secret": h.srv.instructorSecret,
				"instructor": h.join("", "instructor").token,
			}
			for _, role := range []string{"removed", "guessed", "none", "secret", "buddy", "diver", "siren", "instructor"} {
				status, answer := h.post(path, map[string]any{
					"token": tokens[role], "pair": buddy.pair, "events": []any{}, "device": access.NewID(), "offer": "x", "anyway": true,
				})
				member := role == "buddy" || role == "diver" || role == "siren"
				switch {
				case role == "instructor", member && strings.Contains(who, "m"), member && role != "siren" && strings.Contains(who, "b"):
					require.NotContains(t, []any{"bad-token", "not-allowed", "bad-secret"}, answer["code"], role)
				case member:
					require.Equal(t, http.StatusForbidden, status, role)
					require.Equal(t, "not-allowed", answer["code"], role)
				default:
					require.Equal(t, http.StatusUnauthorized, status, role)
					require.Equal(t, "bad-token", answer["code"], role)
				}
			}
		})
	}
}

// Ensures that nobody speaks for another device, nor for a time at which they
// had no say: the ways in which a member could lift an alarm from afar.
func TestH11NobodySpeaksForAnother(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	hold := buddy.id + "-h01"
	now := h.shared.NowMs()
	buddy.record(hold, "start", now-60_000, nil)
	genuine := buddy.sealed(buddy.event(hold, "look", now-30_000, nil)) // only this phone has it yet
	changed := func(change map[string]any) map[string]any {
		e := map[string]any{}
		for k, v := range genuine {
			e[k] = v
		}
		for k, v := range change {
			if e[k] = v; v == nil {
				delete(e, k)
			}
		}
		return e
	}
	of := func(d *device) map[string]any { // an answer in the buddy's name, sealed by another
		e := buddy.event(hold, "answered", now, nil)
		return (&device{h: h, token: d.token}).sealed(e)
	}
	late := h.joinNow(buddy.pair, "buddy").connect(nil)
	for what, c := range map[string]struct {
		from  *device
		event map[string]any
		code  string
	}{
		"an answer in another's name":       {diver, buddy.event(hold, "answered", now, nil), "not-yours"},
		"sealed with the own token":         {diver, of(diver), "not-yours"},
		"a seal of another event":           {diver, changed(map[string]any{"id": fmt.Sprintf("%s-%06d", buddy.id, 900)}), "not-yours"},
		"another time under a genuine seal": {diver, changed(map[string]any{"at": now}), "not-yours"},
		"another kind under a genuine seal": {diver, changed(map[string]any{"kind": "surfaced"}), "not-yours"},
		"another hold under a genuine seal": {diver, changed(map[string]any{"hold": "h"}), "not-yours"},
		"a genuine event without its seal":  {diver, changed(map[string]any{"mac": nil}), "not-yours"},
		"a field added to a genuine event":  {diver, changed(map[string]any{"data": map[string]any{}}), "not-yours"},
		"an answer for before one joined":   {late, late.event(hold, "answered", now-30_000, nil), "role"},
		"a start for before one joined":     {late, late.event("h9", "start", now-30_000, nil), "role"},
		"an answer by a role one never had": {diver, func() map[string]any { e := diver.event(hold, "answered", now, nil); e["by"] = "buddy"; return e }(), "role"},
		"a device that is of no pair":       {diver, map[string]any{"id": access.NewID() + "-000001", "hold": hold, "kind": "look", "at": now, "by": "buddy"}, "not-of-pair"},
	} {
		c.from.offer(c.event)
		id := c.event["id"].(string)
		c.from.until(what, func() bool { return c.from.wasRefused(id) || c.from.hasStored(id) })
		require.Equal(t, c.code, c.from.refusedFor(id), what)
		c.from.refused = nil
	}
	status, answer := h.post("/api/events", map[string]any{"token": diver.token, "pair": buddy.pair, "events": []any{buddy.event(hold, "answered", now, nil)}})
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "not-yours", answer["refused"].([]any)[0].(map[string]any)["code"], "by plain requests neither")

	// What the buddy's phone did record is taken from the diver's, should the buddy's be gone.
	diver.offer(genuine)
	diver.until("the genuine one", func() bool { return diver.hasStored(genuine["id"].(string)) })
	// A diver's phone that becomes the buddy's answers from then on.
	h.post("/api/join", map[string]any{"token": diver.token, "pair": diver.pair, "role": "buddy", "device": diver.id, "name": ""})
	diver.closed()
	diver.role = "buddy"
	diver.connect(nil)
	back := diver.event(hold, "answered", now-10_000, nil)
	diver.offer(back)
	diver.until("a refusal", func() bool { return diver.wasRefused(back["id"].(string)) })
	diver.record(hold, "answered", h.shared.NowMs(), nil)
	// What somebody recorded alone, before joining, is their own.
	late.record(late.id+"-h01", "start", now-3_600_000, nil)
}

// Ensures that names are only ever text: in JSON, of a type that no browser runs.
func TestScriptInEveryName(t *testing.T) {
	h := newHost(t)
	const script = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	buddy := &device{h: h, id: access.NewID(), role: "buddy"}
	status, answer := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": "new", "role": "buddy", "device": buddy.id, "name": script})
	require.Equal(t, http.StatusOK, status)
	buddy.token, buddy.pair = answer["token"].(string), answer["pair"].(string)
	buddy.connect(nil)
	buddy.record("h", "plan", h.shared.NowMs(), map[string]any{"diver": script, "buddy": script, "signal": script, "planned_s": 60})
	buddy.record("h", "place", h.shared.NowMs(), map[string]any{"number": script})
	own := strings.TrimPrefix(h.url, "http://")
	for path, body := range map[string]map[string]any{"/api/pairs": {"secret": h.srv.secret}, "/api/devices": {"token": buddy.token}} {
		text, err := json.Marshal(body)
		require.NoError(t, err)
		resp, answer := h.request(http.MethodPost, path, own, h.url, string(text))
		require.Equal(t, "application/json", resp.Header.Get("Content-Type"))
		require.Contains(t, fmt.Sprint(answer), script, "as it was given, in JSON")
	}
	resp, _ := h.request(http.MethodGet, "/", own, "", "")
	require.Equal(t, http.StatusOK, resp.StatusCode)
	for _, name := range []string{"a\nb", "a\x00b", strings.Repeat("x", 81), "\u007f"} {
		status, answer := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": "new", "role": "buddy", "device": access.NewID(), "name": name})
		require.Equal(t, http.StatusBadRequest, status)
		require.Equal(t, "bad-name", answer["code"])
	}
}

// Ensures that the log of a whole outing, with all that goes wrong in one, holds
// no name, no secret, no token and nothing that was recorded.
func TestH21LogTellsNoNames(t *testing.T) {
	h := startHost(t, t.TempDir(), clock.New())
	buddy := &device{h: h, id: access.NewID(), role: "buddy"}
	_, answer := h.post("/api/join", map[string]any{"secret": h.srv.secret, "pair": "new", "role": "buddy", "device": buddy.id, "name": "Quillfeather"})
	buddy.token, buddy.pair = answer["token"].(string), answer["pair"].(string)
	buddy.connect(nil)
	board := h.board()
	now := h.shared.NowMs()
	buddy.record("h", "plan", now, map[string]any{"diver": "Quillfeather", "planned_s": 60})
	buddy.record("h", "note", now, map[string]any{"text": "Quillfeather has a cough"})
	mend := h.breakDisk()
	lost := buddy.event("h", "note", now, map[string]any{"text": "Quillfeather"})
	buddy.offer(lost)
	buddy.until("the failure", func() bool { return len(buddy.errors) > 0 })
	h.post("/api/outing", map[string]any{"token": board.token, "place": map[string]any{"number": "Quillfeather"}})
	mend()
	buddy.offer(lost)
	buddy.until("it to be stored", func() bool { return buddy.hasStored(lost["id"].(string)) })
	h.spoil(lost["id"].(string))
	h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": []any{}})
	h.post("/api/code", map[string]any{"code": "QUILLF"})
	h.post("/api/join", map[string]any{"secret": "Quillfeather", "pair": "new", "role": "buddy", "device": access.NewID(), "name": "Quillfeather"})
	code, _ := h.srv.Code()
	h.post("/api/end", map[string]any{"token": board.token, "anyway": true})
	h.stop()
	log := h.log.String()
	require.Contains(t, log, "events cannot be written to disk", "the log is read at all")
	for _, secret := range []string{"Quillfeather", "QUILLF", "cough", buddy.token, board.token, h.srv.secret, h.srv.instructorSecret, code} {
		require.NotContains(t, strings.ToLower(log), strings.ToLower(secret))
	}
}
