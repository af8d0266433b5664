package server

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"buddyclock/protocol"
	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

const (
	// maxImportBytes bounds an import: far more than a club's years.
	maxImportBytes = 1 << 30
	// moveWithin bounds one read or write of a long transfer.
	moveWithin = 30 * time.Second
)

// scopeOf tells what part of the log a device may see: a member its own pair, an
// instructor the outing, or with `all` whatever the host has. A named diver
// restricts it further.
func (s *Server) scopeOf(r *http.Request, fields object) (logbook.Scope, error) {
	token, err := fields.text("token", 128)
	if err != nil {
		return logbook.Scope{}, err
	}
	device, err := s.deviceOf(r.Context(), token)
	if err != nil {
		return logbook.Scope{}, err
	}
	scope := logbook.Scope{Outing: device.Session}
	switch {
	case device.Role == protocol.RoleSiren, device.Role != protocol.RoleInstructor && device.Pair == "":
		return logbook.Scope{}, problem("not-allowed", "a device that only makes noise is given no log")
	case device.Role != protocol.RoleInstructor:
		scope = logbook.Scope{Pair: device.Pair}
	case string(fields["all"]) != "true":
	case device.Session != s.session.ID:
		return logbook.Scope{}, problem("not-allowed", "only the present outing's instructor is given all outings")
	default:
		scope = logbook.Scope{}
	}
	scope.Diver, err = s.diverIn(r, fields, scope)
	return scope, err
}

// diverIn finds the diver whom a request names, nil where it names none. Who dived
// outside of the scope is no business of those who ask.
func (s *Server) diverIn(r *http.Request, fields object, scope logbook.Scope) (*logbook.Diver, error) {
	if fields["diver"] == nil {
		return nil, nil
	}
	var named struct{ ID, Name string }
	if err := json.Unmarshal(fields["diver"], &named); err != nil {
		return nil, bad("`diver` is not an object with `id` or `name`")
	}
	if named.ID == "" {
		named.ID = named.Name
	}
	diver, err := logbook.FindDiver(r.Context(), s.store, scope, named.ID)
	var several *logbook.SeveralError
	switch {
	case errors.Is(err, logbook.ErrNoDiver):
		err = problem("no-diver", "nobody of that name or id has dived here")
	case errors.As(err, &several):
		err = problem("several", several.Error())
	}
	return diver, err
}

// apiLog gives the holds as lines of the log, so that a page shows trends over
// all outings without the events of all.
func (s *Server) apiLog(r *http.Request, fields object) (any, error) {
	scope, err := s.scopeOf(r, fields)
	if err != nil {
		return nil, err
	}
	holds, err := s.lines.Of(r.Context(), scope, s.shared.NowMs())
	return map[string]any{"holds": holds}, err
}

// handleExport streams a log as a file.
func (s *Server) handleExport(w http.ResponseWriter, r *http.Request) {
	if !mayCall(w, r, s.calls) {
		return
	}
	body, whole := readBody(w, r, maxBodyBytes)
	if !whole {
		return
	}
	fields, err := decodeObject(body)
	var scope logbook.Scope
	if err == nil {
		scope, err = s.scopeOf(r, fields)
	}
	var format string
	if err == nil {
		format, err = fields.text("format", 8)
	}
	if err == nil && format != "csv" && format != "jsonl" {
		err = bad("`format` is `csv` or `jsonl`")
	}
	if err != nil {
		s.refuseFor(w, r, err)
		return
	}
	kinds := map[string]string{"csv": "text/csv; charset=utf-8; header=present", "jsonl": "application/x-ndjson"}
	head := w.Header()
	head.Set("Content-Type", kinds[format])
	head.Set("Cache-Control", "no-store")
	head.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="buddyclock-%s.%s"`, time.Now().Format("2006-01-02"), format))
	out := &patient{w: w, control: http.NewResponseController(w)}
	if format == "csv" {
		_, err = logbook.WriteCSV(r.Context(), s.store, out, scope, time.Local, s.shared.NowMs())
	} else {
		_, err = logbook.WriteLines(r.Context(), s.store, out, scope, s.shared.NowMs())
	}
	if err != nil {
		if r.Context().Err() == nil {
			s.log.Error("an export broke off", "reason", err)
		}
		// The reader must see that the file is not whole.
		panic(http.ErrAbortHandler)
	}
}

// patient gives each read and write of a long transfer its own time.
type patient struct {
	w       io.Writer
	r       io.Reader
	control *http.ResponseController
}

func (p *patient) Write(b []byte) (int, error) {
	if err := p.control.SetWriteDeadline(time.Now().Add(moveWithin)); err != nil {
		return 0, err
	}
	return p.w.Write(b)
}

func (p *patient) Read(b []byte) (int, error) {
	if err := p.control.SetReadDeadline(time.Now().Add(moveWithin)); err != nil {
		return 0, err
	}
	return p.r.Read(b)
}

// handleImport takes an export and answers line by line how far it is.
func (s *Server) handleImport(w http.ResponseWriter, r *http.Request) {
	if !mayCall(w, r, s.calls) {
		return
	}
	token, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if _, err := s.instructor(r.Context(), token); err != nil {
		s.refuseFor(w, r, err)
		return
	}
	control := http.NewResponseController(w)
	if err := control.EnableFullDuplex(); err != nil {
		s.refuseFor(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	w.Header().Set("Cache-Control", "no-store")
	line := &patient{w: w, control: control}
	tell := func(p logbook.Progress) {
		// Who stops reading has stopped: the context says so.
		_ = json.NewEncoder(line).Encode(p)
		_ = control.Flush()
	}
	in := &patient{r: http.MaxBytesReader(w, r.Body, maxImportBytes), control: control}
	report, err := logbook.Import(r.Context(), s.store, in, logbook.Options{
		BringBack: r.Header.Get("Bring-Back") == "yes", Running: s.session.ID, Tell: tell,
	})
	answer := struct {
		Done bool `json:"done"`
		logbook.Report
		Error string `json:"error,omitempty"`
	}{Done: err == nil, Report: report}
	if err != nil {
		answer.Error = err.Error()
	}
	_ = json.NewEncoder(line).Encode(answer)
}

type eraseJSON struct {
	Diver  string `json:"diver"`
	ID     string `json:"id,omitempty"`
	Holds  int    `json:"holds"`
	Events int    `json:"events"`
	Named  int    `json:"named"` // holds of others that name the diver, and stay
	Erased bool   `json:"erased"`
}

// apiErase says what there is of a diver, and with `confirm`, the diver's name
// typed by a person, erases it for good.
func (s *Server) apiErase(r *http.Request, fields object) (any, error) {
	ctx := r.Context()
	scope, err := s.scopeOf(r, fields)
	var none *protocol.Problem
	if errors.As(err, &none) && none.Code == "no-diver" {
		// Perhaps since the last try, which has to be through before that is said.
		err = cmp.Or(s.wipe(ctx), err)
	}
	if err != nil {
		return nil, err
	}
	if scope.Diver == nil {
		return nil, bad("`diver` is missing")
	}
	plan, err := logbook.PlanErase(ctx, s.store, scope)
	if err != nil {
		return nil, err
	}
	answer := eraseJSON{Diver: plan.Diver.Name, ID: plan.Diver.ID, Holds: plan.Holds, Events: plan.Events, Named: plan.Named}
	if fields["confirm"] == nil {
		return answer, nil
	}
	confirm, err := fields.text("confirm", 400)
	if err != nil {
		return nil, err
	}
	if logbook.NameKey(confirm) != logbook.NameKey(plan.Diver.Name) {
		return nil, problem("not-confirmed", "the name that was typed is not the diver's")
	}
	// Building the file anew keeps the disk busy, and a hold comes first.
	if err := s.noneInHold(ctx); err != nil {
		return nil, err
	}
	n, err := plan.Carry(ctx, s.store)
	var left *store.NotWipedError
	if err != nil && !errors.As(err, &left) {
		return nil, err
	}
	// The events are gone: whoever asked may be too, and the phones are told all the same.
	s.lines.Forget()
	s.log.Info("a diver's log was erased", "holds", plan.Holds, "events", n)
	told := s.tellErased(context.WithoutCancel(ctx), plan.Pairs)
	if left != nil {
		return nil, s.notWiped(left)
	}
	answer.Events, answer.Erased = int(n), true
	return answer, told
}

// tellErased tells the devices of pairs which events are no more.
func (s *Server) tellErased(ctx context.Context, pairs []string) (err error) {
	for _, id := range pairs {
		pair, failed := s.store.Pair(ctx, id)
		var gone map[string][]store.Run
		if failed == nil {
			gone, failed = s.store.ErasedOf(ctx, id)
		}
		if failed == nil {
			s.rooms.Erased(pair, encode(erasedJSON{"erased", id, gone}))
		}
		err = errors.Join(err, failed)
	}
	return err
}
