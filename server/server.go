// Package server brings the phones of an outing together: it hands out the page,
// lets devices join, and passes on, stamps and stores what they record. It makes
// no events of its own and judges no hold for anybody.
package server

import (
	"context"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/benbjohnson/clock"

	"buddyclock/server/access"
	"buddyclock/server/logbook"
	"buddyclock/server/room"
	"buddyclock/server/store"
	"buddyclock/web"
)

// byeWithin bounds how long a stopping server waits for its devices' farewells.
const byeWithin = time.Second

// Options are what a server is made of.
type Options struct {
	Store   *store.Store
	Session store.Session
	Clock   clock.Clock
	Shared  *SharedClock
	Assets  *web.Assets
	Hosts   *Hosts
	// URLs gives the addresses under which others reach this server, best first,
	// such as http://192.0.2.7:8080, in a slice of the caller's own.
	URLs func() []string
	Log  *slog.Logger
	// Limits bound what others may ask of the server.
	Limits Limits
	// Simulated says that the people are simulated: every page is told so.
	Simulated bool
}

// Server is one outing's server. Make it with New.
type Server struct {
	store   *store.Store
	session store.Session
	clk     clock.Clock
	shared  *SharedClock
	assets  *web.Assets
	hosts   *Hosts
	urls    func() []string
	log     *slog.Logger
	version int // of the wire

	rooms  *room.Rooms
	lines  *logbook.Lines
	conns  conns
	here   *here
	boards boards
	offers offers
	outing outing
	wiping atomic.Bool   // whether what an erase left is to be tried again
	ending chan struct{} // closed once the server ends

	limits     Limits
	sockets    counts // by address
	unwelcomed counts

	simulated bool

	secret           string
	instructorSecret string
	codes            *access.Codes
	codeTries        *access.Limiter
	calls            *access.Limiter
	posts            *access.Limiter // of events
	dials            *access.Limiter // of sockets
}

// New makes a server, with join secrets of its own.
func New(o Options) *Server {
	limits := o.Limits.filled()
	s := &Server{
		store: o.Store, session: o.Session, clk: o.Clock, shared: o.Shared, assets: o.Assets,
		hosts: o.Hosts, urls: o.URLs, log: o.Log, version: wireVersion, simulated: o.Simulated,
		lines:            logbook.NewLines(o.Store, logbook.LocaleOf(time.Local)),
		rooms:            room.NewRooms(o.Store, o.Clock, o.Shared.NowMs, o.Shared.CatchUp, o.Log),
		conns:            conns{open: map[*conn]struct{}{}},
		here:             newHere(o.Clock),
		ending:           make(chan struct{}),
		boards:           boards{open: map[*incoming]struct{}{}},
		limits:           limits,
		secret:           access.NewSecret(),
		instructorSecret: access.NewSecret(),
		codes:            access.NewCodes(o.Clock),
		codeTries:        access.NewLimiter(o.Clock, 5, 12*time.Second),
		calls:            access.NewLimiter(o.Clock, 120, 200*time.Millisecond),
		posts:            access.NewLimiter(o.Clock, 240, 50*time.Millisecond),
		dials:            access.NewLimiter(o.Clock, limits.DialsAtOnce, limits.DialEvery),
	}
	s.offers = offers{srv: s, open: map[string]*offer{}}
	s.loadOuting()
	if owed, err := s.store.WipeOwed(context.Background()); owed || err != nil {
		s.log.Error("copies of what was erased before may still be in files of the data folder: this is tried again while nobody is in a hold")
		s.wipeLater()
	}
	return s
}

// JoinPath and InstructorPath are what follows the address in the links by which
// people join. A browser keeps the part after # to itself.
func (s *Server) JoinPath() string       { return "/#j=" + s.secret }
func (s *Server) InstructorPath() string { return "/#i=" + s.instructorSecret }

// Code gives the code that lets a device join by typing, and how long it is good for.
func (s *Server) Code() (code string, left time.Duration) { return s.codes.Show() }

// Handler answers everything that comes over HTTP.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.assets.ServeIndex)
	mux.HandleFunc("GET /v/", s.assets.ServeFile)
	mux.HandleFunc("GET /sw.js", s.assets.ServeWorker)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.Write([]byte(`{"ok":true}` + "\n"))
	})
	mux.HandleFunc("GET /socket", s.handleSocket)
	s.routeAPI(mux)
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, http.StatusNotFound, "not-found", "there is nothing at this address")
	})
	return s.guard(mux)
}

// Shutdown says goodbye to all devices and ends their pairs. The HTTP server is
// the caller's to stop, before; the store to close, after.
func (s *Server) Shutdown() {
	close(s.ending)
	for _, c := range s.conns.list(true) {
		c.Part("stopped")
	}
	gone := make(chan struct{})
	go func() { s.conns.gone.Wait(); close(gone) }()
	ctx, cancel := s.clk.WithTimeout(context.Background(), byeWithin)
	defer cancel()
	select {
	case <-gone:
	case <-ctx.Done():
		for _, c := range s.conns.list(true) {
			c.cut()
		}
	}
	// A reader may be waiting for its pair, and the pair for a disk that does not
	// answer: this lets it go.
	s.rooms.Stop()
	<-gone
}
