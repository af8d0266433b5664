package server

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"slices"

	"buddyclock/protocol"
	"buddyclock/server/access"
	"buddyclock/server/room"
	"buddyclock/server/store"
)

// maxBodyBytes bounds a request that carries no events.
const maxBodyBytes = 8 << 10

// routeAPI adds what devices ask for by HTTP: joining, and the way for events
// where the socket does not go through.
func (s *Server) routeAPI(mux *http.ServeMux) {
	for path, handle := range map[string]func(*http.Request, object) (any, error){
		"code": s.apiCode, "pairs": s.apiPairs, "join": s.apiJoin, "invite": s.apiInvite, "leave": s.apiLeave,
		"pair": s.apiPair, "outing": s.apiOuting, "end": s.apiEnd, "devices": s.apiDevices, "remove": s.apiRemove, "accept": s.apiAccept, "log": s.apiLog, "erase": s.apiErase,
	} {
		mux.HandleFunc("POST /api/"+path, s.call(handle))
		mux.HandleFunc("/api/"+path, postOnly)
	}
	for path, handle := range map[string]http.HandlerFunc{"events": s.handleEvents, "export": s.handleExport, "import": s.handleImport} {
		mux.HandleFunc("POST /api/"+path, handle)
		mux.HandleFunc("/api/"+path, postOnly)
	}
}

func postOnly(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Allow", http.MethodPost)
	refuse(w, http.StatusMethodNotAllowed, "bad-method", "this address takes POST only")
}

// readBody reads a request; where that cannot be it answers, and whole is false.
func readBody(w http.ResponseWriter, r *http.Request, maxBytes int64) (body []byte, whole bool) {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBytes))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		refuse(w, http.StatusRequestEntityTooLarge, "too-large", "the request is too large")
	case err != nil:
		refuse(w, http.StatusBadRequest, "bad-message", "the request broke off")
	}
	return body, err == nil
}

// call wraps one request of the API: JSON object in, JSON object out. An error
// that is a *protocol.Problem goes to the device; of any other only the log
// learns more than that it happened.
func (s *Server) call(handle func(*http.Request, object) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !mayCall(w, r, s.calls) {
			return
		}
		body, whole := readBody(w, r, maxBodyBytes)
		if !whole {
			return
		}
		fields, err := decodeObject(body)
		var answer any
		if err == nil {
			answer, err = handle(r, fields)
		}
		s.answer(w, r, answer, err)
	}
}

// answer gives what a request asked for, or tells what went wrong.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, answer any, err error) {
	if err != nil {
		s.refuseFor(w, r, err)
		return
	}
	reply(w, http.StatusOK, answer)
}

// mayCall refuses pages of other servers, and too many requests.
func mayCall(w http.ResponseWriter, r *http.Request, limiter *access.Limiter) bool {
	if r.Header.Get("Origin") != "" && !sameOrigin(r) {
		refuse(w, http.StatusForbidden, "bad-origin", "requests are only for pages of this server")
		return false
	}
	if limiter != nil && !limiter.Allow(r.RemoteAddr) {
		refuseTooMany(w)
		return false
	}
	return true
}

// refuseFor tells a device what went wrong, where that is its matter.
func (s *Server) refuseFor(w http.ResponseWriter, r *http.Request, err error) {
	var problem *protocol.Problem
	switch {
	case errors.As(err, &problem):
		refuse(w, statusOf(problem.Code), problem.Code, problem.Reason)
	case r.Context().Err() != nil: // nobody is left to be told
	default:
		s.log.Error("a request failed", "path", r.URL.Path, "reason", err)
		refuse(w, http.StatusInternalServerError, codeFailed, reasonFailed)
	}
}

func statusOf(code string) int {
	switch code {
	case "bad-token":
		return http.StatusUnauthorized
	case "bad-code", "bad-secret", "not-of-pair", "not-allowed", "outing-ended", "too-many-devices", "too-many-pairs":
		return http.StatusForbidden
	case "no-pair", "no-device", "no-offer", "no-diver":
		return http.StatusNotFound
	case "device-taken", "in-hold", "several", "not-confirmed":
		return http.StatusConflict
	case "too-many-tries", "too-many-requests":
		return http.StatusTooManyRequests
	case "not-wiped":
		return http.StatusInternalServerError
	}
	return http.StatusBadRequest
}

func problem(code, reason string) error { return &protocol.Problem{Code: code, Reason: reason} }

// handleEvents takes events and gives those that the device lacks, as the socket
// does; it also serves a page's last breath. A member's device has a pace of its own;
// who is no member is bounded as with all other requests, before much is read.
func (s *Server) handleEvents(w http.ResponseWriter, r *http.Request) {
	if !mayCall(w, r, nil) {
		return
	}
	body, whole := readBody(w, r, maxFrameBytes)
	if !whole {
		return
	}
	fields, device, pair, err := s.memberOf(r, body)
	if err != nil && !s.calls.Allow(r.RemoteAddr) {
		err = tooMany()
	}
	var answer any
	if err == nil {
		answer, err = s.takePosted(r, device.ID, pair, fields)
	}
	s.answer(w, r, answer, err)
}

// memberOf finds out whose request it is and for which pair, and reads no more of it
// than that needs. What came whole is taken even if its sender is gone by now: a
// page's last breath is like that.
func (s *Server) memberOf(r *http.Request, body []byte) (fields object, device store.Device, pair store.Pair, err error) {
	if fields, err = decodeObject(body); err != nil {
		return fields, device, pair, err
	}
	token, err := fields.text("token", 128)
	if err != nil {
		return fields, device, pair, err
	}
	pairID, err := fields.text("pair", protocol.MaxIDBytes)
	if err != nil {
		return fields, device, pair, err
	}
	ctx := context.WithoutCancel(r.Context())
	if device, err = s.deviceOf(ctx, token); err == nil {
		pair, err = s.pairOf(ctx, device, pairID)
	}
	return fields, device, pair, err
}

func (s *Server) takePosted(r *http.Request, device string, pair store.Pair, fields object) (any, error) {
	raws, err := fields.events()
	if err != nil {
		return nil, err
	}
	theirs, err := fields.counts()
	if err != nil {
		return nil, err
	}
	events, refused := room.Decode(raws)
	if !s.posts.Allow(r.RemoteAddr) && !slices.ContainsFunc(events, func(e protocol.Event) bool { return movesARung(e.Kind) }) {
		return nil, tooMany()
	}
	s.signOfLife()
	return s.exchange(r.Context(), pair, device, events, refused, theirs)
}

type eventsJSON struct {
	Stored  []string               `json:"stored"`
	Refused []refusedJSON          `json:"refused"`
	Events  []json.RawMessage      `json:"events"`
	More    bool                   `json:"more,omitempty"`
	Erased  map[string][]store.Run `json:"erased,omitempty"`
	Have    map[string]int64       `json:"have"`

	Beyond map[string][]store.Run `json:"beyond"`
}

func (s *Server) exchange(ctx context.Context, pair store.Pair, device string, events []protocol.Event, refused []room.Refusal, theirs store.Counts) (any, error) {
	rm, release, err := s.rooms.Enter(pair)
	if err != nil {
		return nil, err
	}
	defer release()
	pace := s.here.paceOf(device)
	kept, shed, wait := pace.shed(events)
	var own turn
	if wait > 0 {
		if own, err = s.takeTurn(ctx, pace, kept, s.clk.Now().Add(wait)); err != nil {
			return nil, err
		}
		defer own.end()
	}
	results := make(chan room.Result, 1)
	if !rm.Offer(context.WithoutCancel(ctx), nil, device, kept, refused, func(res room.Result) { results <- res }) {
		return nil, room.ErrStopping
	}
	var res room.Result
	select {
	case res = <-results:
	case <-ctx.Done():
		return nil, room.ErrStopping
	}
	own.rest(ctx)
	answer := eventsJSON{Stored: append([]string{}, res.Stored...), Refused: []refusedJSON{}, Events: []json.RawMessage{}}
	for _, r := range res.Refused {
		answer.Refused = append(answer.Refused, refusedJSON{IDs: r.IDs, problemJSON: problemJSON{r.Code, r.Reason}})
	}
	if len(shed) > 0 {
		answer.Refused = append(answer.Refused, refusedJSON{IDs: shed, problemJSON: problemJSON{codeSlowDown, reasonSlowDown}})
	}
	if len(res.Failed) > 0 {
		answer.Refused = append(answer.Refused, refusedJSON{IDs: res.Failed, problemJSON: problemJSON{codeNotStored, reasonNotStored}})
	}
	devices, err := rm.Devices(ctx)
	if err != nil {
		return nil, err
	}
	passed, err := rm.Passed(ctx, theirs)
	if err != nil {
		return nil, err
	}
	missing, err := s.store.Missing(ctx, pair.ID, devices, theirs)
	if err != nil {
		return nil, err
	}
	missing = append(missing, passed...)
	n := room.FrameShare(missing)
	for _, body := range missing[:n] {
		answer.Events = append(answer.Events, body)
	}
	answer.More = n < len(missing)
	if answer.Erased, err = s.store.ErasedOf(ctx, pair.ID); err != nil {
		return nil, err
	}
	ours, err := rm.Have(ctx)
	answer.Have, answer.Beyond = ours.Have, ours.Beyond
	return answer, err
}
