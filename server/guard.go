package server

import (
	"encoding/json"
	"net/http"
	"strings"
)

// guard lets in only what is meant for this server, and puts on every answer
// what tells browsers to be strict with it.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		setHeaders(w.Header(), r)
		if !s.hosts.Allows(r.Host) {
			refuse(w, http.StatusMisdirectedRequest, "bad-host",
				"this server is not to be opened under that name; use one of its addresses, or start it with -host NAME")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// setHeaders allows the page its own files and its own socket, and nothing else.
func setHeaders(h http.Header, r *http.Request) {
	socket := "ws://" + r.Host
	if r.TLS != nil {
		socket = "wss://" + r.Host
	}
	if strings.ContainsAny(socket, " ;,'\"") {
		socket = "" // no host name; guard refuses it
	}
	h.Set("Content-Security-Policy", "default-src 'self'; connect-src 'self' "+socket+
		"; media-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=()")
}

// Codes and sentences for what went wrong on our side. The cause stays in the log.
const (
	codeFailed      = "failed"
	reasonFailed    = "the host could not do this; what you recorded stays on your device"
	codeNotStored   = "not-stored"
	reasonNotStored = "the host could not write to its disk; your device keeps these events"
	codeSlowDown    = "slow-down"
	reasonSlowDown  = "these are more entries of the log at once than the host takes; your device keeps them and offers them again"
)

func tooMany() error {
	return problem("too-many-requests", "there were too many requests from this address; wait a few seconds")
}

func refuseTooMany(w http.ResponseWriter) {
	refuse(w, http.StatusTooManyRequests, "too-many-requests", tooMany().Error())
}

// refuse answers with an error as every part of the API spells it.
func refuse(w http.ResponseWriter, status int, code, reason string) {
	reply(w, status, problemJSON{code, reason})
}

func reply(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	// An error here means that the device is gone.
	_ = json.NewEncoder(w).Encode(v)
}
