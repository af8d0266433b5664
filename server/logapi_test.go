package server

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/store"
)

// fetch calls a way of the log and gives the status and the whole answer as it came.
func (h *host) fetch(path, token string, body []byte) (int, http.Header, string) {
	h.t.Helper()
	req, err := http.NewRequest(http.MethodPost, h.url+path, bytes.NewReader(body))
	require.NoError(h.t, err)
	req.Header.Set("Origin", h.url)
	req.Header.Set("Authorization", "Bearer "+token)
	resp, err := h.client.Do(req)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	require.NoError(h.t, err)
	return resp.StatusCode, resp.Header, string(text)
}

func (h *host) export(d *device, fields map[string]any) (int, http.Header, string) {
	h.t.Helper()
	all := map[string]any{"token": d.token, "format": "jsonl"}
	for k, v := range fields {
		all[k] = v
	}
	body, err := json.Marshal(all)
	require.NoError(h.t, err)
	return h.fetch("/api/export", "", body)
}

// Ensures that a member exports its own pair's holds and no other's, an instructor the outing's, and a stranger nothing.
func TestH21ExportGoesByRole(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	aHold(t, buddy, diver, buddy.id+"-h01")
	other := h.join("new", "buddy").connect(nil)
	aHold(t, other, h.join(other.pair, "diver").connect(nil), other.id+"-h01")
	instructor := h.join("", "instructor")

	starts := func(d *device, fields map[string]any) int {
		status, head, text := h.export(d, fields)
		require.Equal(t, http.StatusOK, status, text)
		require.Equal(t, "no-store", head.Get("Cache-Control"))
		require.Contains(t, head.Get("Content-Disposition"), ".jsonl")
		require.NotContains(t, text, d.token)
		return strings.Count(text, `"kind":"start"`)
	}
	require.Equal(t, 1, starts(buddy, nil))
	require.Equal(t, 1, starts(diver, map[string]any{"all": true}), "a member's wish for all is not granted")
	require.Equal(t, 1, starts(diver, map[string]any{"diver": map[string]any{"name": "ilse"}}))
	require.Equal(t, 2, starts(instructor, nil))
	require.Equal(t, 2, starts(instructor, map[string]any{"all": true, "diver": map[string]any{"name": "Ilse"}}))

	status, head, text := h.export(instructor, map[string]any{"format": "csv"})
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, head.Get("Content-Type"), "text/csv")
	require.Equal(t, 3, strings.Count(text, "\r\n"))

	for code, fields := range map[string]map[string]any{
		"bad-token": {"token": "nobody's"}, "bad-message": {"format": "pdf"}, "no-diver": {"diver": map[string]any{"name": "Nemo"}},
	} {
		status, _, text := h.export(buddy, fields)
		require.GreaterOrEqual(t, status, 400)
		require.Contains(t, text, `"`+code+`"`)
	}

	for _, pair := range []string{"", buddy.pair} {
		siren := h.join(pair, "siren")
		status, _, text = h.export(siren, map[string]any{"all": true})
		require.Equal(t, http.StatusForbidden, status)
		require.Contains(t, text, "not-allowed")
		_, answer := h.post("/api/erase", map[string]any{"token": siren.token, "diver": map[string]any{"name": "Ilse"}, "confirm": "Ilse"})
		require.Equal(t, "not-allowed", answer["code"])
	}

	status, answer := h.post("/api/log", map[string]any{"token": buddy.token})
	require.Equal(t, http.StatusOK, status)
	require.Len(t, answer["holds"], 1)
	line := answer["holds"].([]any)[0].(map[string]any)
	require.Equal(t, "Ilse", line["diver"])
	require.Equal(t, 90_000.0, line["hold_ms"])
	_, answer = h.post("/api/log", map[string]any{"token": instructor.token, "all": true})
	require.Len(t, answer["holds"], 2)
}

// Ensures that an instructor's import goes in while the server runs, says how far it is, and what it refused.
func TestH20ImportOverHTTP(t *testing.T) {
	here, there := newHost(t), newHost(t)
	buddy := here.join("new", "buddy").connect(nil)
	aHold(t, buddy, here.join(buddy.pair, "diver").connect(nil), buddy.id+"-h01")
	_, _, text := here.export(buddy, nil)

	instructor, member := there.join("", "instructor"), there.join("new", "buddy")
	status, _, answer := there.fetch("/api/import", member.token, []byte(text))
	require.Equal(t, http.StatusForbidden, status)
	require.Contains(t, answer, "not-allowed")
	for _, token := range []string{"", strings.Repeat("A", 43), there.srv.instructorSecret} {
		status, _, answer = there.fetch("/api/import", token, []byte(text))
		require.Equal(t, http.StatusUnauthorized, status)
		require.Contains(t, answer, "bad-token")
	}
	run := func(text string) (last map[string]any, lines int) {
		status, _, answer := there.fetch("/api/import", instructor.token, []byte(text))
		require.Equal(t, http.StatusOK, status, answer)
		for in := bufio.NewScanner(strings.NewReader(answer)); in.Scan(); lines++ {
			last = nil
			require.NoError(t, json.Unmarshal(in.Bytes(), &last))
		}
		return last, lines
	}
	last, lines := run(text)
	require.GreaterOrEqual(t, lines, 2, "its progress, and its end")
	require.Equal(t, []any{true, true, 20.0, 0.0}, []any{last["done"], last["whole"], last["added"], last["refused"]})
	last, _ = run(text)
	require.Equal(t, []any{true, 0.0, 20.0}, []any{last["done"], last["added"], last["known"]})
	last, _ = run(text[:len(text)/2])
	require.Equal(t, []any{true, false}, []any{last["done"], last["whole"]})
	require.NotEmpty(t, last["refusals"])
	last, _ = run("something else\n")
	require.Equal(t, false, last["done"])
	require.NotEmpty(t, last["error"])
	_, _, text = there.export(instructor, map[string]any{"all": true})
	require.Equal(t, 1, strings.Count(text, `"kind":"start"`))
}

// Ensures that erasing a diver needs the name typed, takes the holds out of the files, tells the phones, and lasts.
func TestH21EraseTellsThePhones(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	hold := buddy.id + "-h01"
	aHold(t, buddy, diver, hold)
	secret := buddy.record(hold, "note", h.shared.NowMs()-1_000, map[string]any{"text": "Ilse had a bad night"})
	buddy.until("the note is stored", func() bool { return buddy.hasStored(secret["id"].(string)) })
	call := func(fields map[string]any) (int, map[string]any) {
		all := map[string]any{"token": diver.token, "diver": map[string]any{"name": "Ilse"}}
		for k, v := range fields {
			all[k] = v
		}
		return h.post("/api/erase", all)
	}
	_, answer := call(nil)
	require.Equal(t, map[string]any{"diver": "Ilse", "holds": 1.0, "events": 21.0, "named": 0.0, "erased": false}, answer)
	status, answer := call(map[string]any{"confirm": "Inge"})
	require.Equal(t, http.StatusConflict, status)
	require.Equal(t, "not-confirmed", answer["code"])
	stranger := h.join("new", "buddy")
	status, answer = call(map[string]any{"token": stranger.token})
	require.Equal(t, http.StatusNotFound, status)
	require.Equal(t, "no-diver", answer["code"], "who dived in another pair they are not told")
	status, _, text := h.export(stranger, map[string]any{"diver": map[string]any{"name": "Ilse"}})
	require.Equal(t, http.StatusNotFound, status)
	require.Contains(t, text, "no-diver")

	begun := stranger.connect(nil)
	begun.record(begun.id+"-h01", "plan", h.shared.NowMs()-9_000, map[string]any{"diver": "Tuva", "planned_s": 120})
	start := begun.record(begun.id+"-h01", "start", h.shared.NowMs()-5_000, nil)
	begun.until("the start is stored", func() bool { return begun.hasStored(start["id"].(string)) })
	_, answer = call(map[string]any{"confirm": "ilse"})
	require.Equal(t, "in-hold", answer["code"], "a hold comes first")
	up := begun.record(begun.id+"-h01", "amend", h.shared.NowMs(), map[string]any{"target": start["id"], "drop": true})
	begun.until("the start is taken back", func() bool { return begun.hasStored(up["id"].(string)) })

	status, answer = call(map[string]any{"confirm": "ilse"})
	require.Equal(t, http.StatusOK, status, answer)
	require.Equal(t, true, answer["erased"])
	require.Equal(t, 21.0, answer["events"])
	for _, d := range []*device{buddy, diver} {
		d.until("it is told what to erase", func() bool { return d.erased != nil })
		require.Equal(t, []any{[]any{1.0, float64(diver.count)}}, d.erased[diver.id])
	}
	for _, name := range filesIn(t, h.dir) {
		require.NotContains(t, readFile(t, name), "a bad night", name)
		require.NotContains(t, readFile(t, name), "Ilse", name)
	}

	// A phone that was away is told when it comes, and its events are not taken again.
	again := h.join(buddy.pair, "buddy").connect(map[string]int64{buddy.id: 3})
	require.Contains(t, again.welcome["erased"], buddy.id)
	require.Empty(t, again.welcome["events"])
	buddy.offer(secret)
	buddy.until("it is refused", func() bool { return buddy.wasRefused(secret["id"].(string)) })
	require.Equal(t, "erased", buddy.refusedFor(secret["id"].(string)))
	_, late := h.post("/api/events", map[string]any{"token": diver.token, "pair": diver.pair, "events": []any{}, "have": map[string]any{}})
	require.Contains(t, late["erased"], diver.id)
}

// Ensures that what is added to the log of a hold days later is taken, and that no press of days ago is, nor one that would
// take such a press back.
func TestAdditionsToAHoldMayComeLate(t *testing.T) {
	h, mock := newMockHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	hold := buddy.id + "-h01"
	at := h.shared.NowMs()
	buddy.record(hold, "plan", at-60_000, map[string]any{"diver": "Ilse", "planned_s": 120})
	start := buddy.record(hold, "start", at, nil)
	tense := buddy.record(hold, "sign", at+1_000, map[string]any{"what": "tense"})
	mock.Add(3 * 24 * 3_600_000_000_000)
	taken := []map[string]any{
		buddy.event(hold, "reading", at+40_000, map[string]any{"spo2": 88, "source": "video"}),
		buddy.event(hold, "note", at+50_000, map[string]any{"text": "cold hands"}),
		buddy.event(hold, "verdict", at+51_000, map[string]any{"what": "shaky"}),
		buddy.event(hold, "amend", at+52_000, map[string]any{"target": tense["id"], "at": at + 2_000}),
		buddy.event(hold, "amend", at+53_000, map[string]any{"target": tense["id"], "drop": true}),
	}
	refused := []map[string]any{
		buddy.event(hold, "reading", at-1, map[string]any{"spo2": 97, "source": "video"}),
		buddy.event(hold, "look", at+41_000, nil),
		buddy.event(hold, "incident", at+41_000, nil),
		buddy.event(hold, "amend", at+5_000, map[string]any{"target": tense["id"], "drop": true}),
		buddy.event(hold, "amend", at+5_000, map[string]any{"target": start["id"], "drop": true}),
	}
	for _, kind := range []string{"reading", "note", "verdict", "amend"} { // of a hold that is not known
		refused = append(refused, buddy.event(buddy.id+"-h02", kind, at+40_000, map[string]any{"target": tense["id"]}))
	}
	status, answer := h.post("/api/events", map[string]any{"token": buddy.token, "pair": buddy.pair, "events": append(slices.Clone(taken), refused...), "have": map[string]any{}})
	require.Equal(t, http.StatusOK, status, answer)
	ids := func(events []map[string]any) (all []any) {
		for _, e := range events {
			all = append(all, e["id"])
		}
		return all
	}
	require.Equal(t, ids(taken), answer["stored"])
	require.Len(t, answer["refused"], 1, "all for one reason")
	first := answer["refused"].([]any)[0].(map[string]any)
	require.Equal(t, "too-far", first["code"])
	require.Equal(t, ids(refused), first["ids"])
	_, log := h.post("/api/log", map[string]any{"token": buddy.token})
	require.Equal(t, "shaky", log["holds"].([]any)[0].(map[string]any)["verdict"])
}

// Ensures that no import speaks for the outing that runs: neither by answers nobody gave, nor by taking the ids of presses
// to come, nor by a pair of its own; what a file has of it that is stored already is known.
func TestH11AnImportTouchesNoRunningOuting(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	instructor := h.join("", "instructor")
	hold := buddy.id + "-h01"
	now := h.shared.NowMs()
	buddy.record(hold, "plan", now-60_000, map[string]any{"diver": "Ilse", "planned_s": 240})
	buddy.record(hold, "start", now-50_000, nil)
	_, _, genuine := h.export(instructor, nil)

	stranger := access.NewID()
	filed := func(pair, id, hold, kind string, at int64) string {
		e, err := protocol.Decode(encode(map[string]any{"id": id, "hold": hold, "kind": kind, "at": at, "by": "buddy"}))
		require.NoError(t, err)
		sum, ok := store.SumOf(pair, now, &e)
		require.True(t, ok)
		return fmt.Sprintf(`{"event":%s,"pair":%q,"stored_ms":%d,"sum":"%x"}`, e.Encode(), pair, now, sum)
	}
	next := fmt.Sprintf("%s-%06d", buddy.id, buddy.count+1)
	file := strings.Join([]string{
		fmt.Sprintf(`{"buddyclock":"log","v":1,"made_ms":%d}`, now),
		`{"outing":{"id":"elsewhere","started_ms":1}}`,
		fmt.Sprintf(`{"outing":{"id":%q,"started_ms":1}}`, h.srv.session.ID),
		fmt.Sprintf(`{"pair":{"id":%q,"outing":"elsewhere","number":1,"made_ms":1}}`, buddy.pair),
		fmt.Sprintf(`{"pair":{"id":"mine","outing":%q,"number":9,"made_ms":1}}`, h.srv.session.ID),
		`{"pair":{"id":"theirs","outing":"elsewhere","number":1,"made_ms":1}}`,
		filed(buddy.pair, stranger+"-000001", hold, "answered", now),     // an answer nobody gave
		filed(buddy.pair, next, hold, "answered", now),                   // in the buddy's own name
		filed("theirs", next, stranger+"-h01", "note", now),              // the id of the buddy's next press
		filed("mine", stranger+"-000002", stranger+"-h02", "start", 1),   // a pair for the board
		filed("theirs", stranger+"-000003", stranger+"-h03", "start", 1), // and one honest line
	}, "\n")
	last := func(file string) map[string]any {
		status, _, answer := h.fetch("/api/import", instructor.token, []byte(file))
		require.Equal(t, http.StatusOK, status)
		lines := strings.Split(strings.TrimSpace(answer), "\n")
		var end map[string]any
		require.NoError(t, json.Unmarshal([]byte(lines[len(lines)-1]), &end))
		return end
	}
	end := last(file)
	require.Equal(t, 1.0, end["added"], end)
	codes := map[string]int{}
	for _, r := range end["refusals"].([]any) {
		codes[r.(map[string]any)["code"].(string)]++
	}
	require.Equal(t, map[string]int{"running": 4, "no-pair": 1, "cut-off": 1}, codes)
	end = last(genuine)
	require.Equal(t, []any{0.0, 2.0, 0.0, true}, []any{end["added"], end["known"], end["refused"], end["whole"]})

	pairs, err := h.store.Pairs(context.Background(), h.srv.session.ID)
	require.NoError(t, err)
	require.Len(t, pairs, 1)
	buddy.record(hold, "look", now, nil) // with the id that the file wanted
	late := h.join(buddy.pair, "buddy").connect(nil)
	for _, e := range late.hold.Events() {
		require.NotEqual(t, "answered", e.Kind)
	}
}
