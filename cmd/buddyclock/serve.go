package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"syscall"
	"time"

	"buddyclock/cmd/buddyclock/demo"
	"buddyclock/server"
	"buddyclock/server/access"
	"buddyclock/server/store"
	"buddyclock/web"
)

// sessionGoesOnWithin is how long after its last event an outing is still the
// same when the server is started again.
const sessionGoesOnWithin = 12 * time.Hour

// Open connections, of one address and of all: a few for each phone of a large outing.
const (
	maxConnsOfAddress = 2_000
	maxConns          = 20_000
)

// endWithin bounds how long requests under way hold up the end.
const endWithin = 2 * time.Second

// Started tells where a server listens and how one gets in.
type Started struct {
	URL           string // on this machine; with a certificate, the best one that it covers
	JoinURL       string // the same, with the join secret
	InstructorURL string // the same, with the instructor's secret
}

// serveOptions are the flags of `buddyclock serve`.
type serveOptions struct {
	addr, data string
	names      names
	tls        bool
	cert, key  string

	// demo, where set, is told of the start in place of the console: the people of
	// the outing, always a new one, are simulated.
	demo func(Started, *store.Store)
}

// names collects a flag that may be given several times.
type names []string

func (n *names) String() string     { return strings.Join(*n, " ") }
func (n *names) Set(s string) error { *n = append(*n, s); return nil }

func (m *Main) serveFlags(args []string) (o serveOptions, code int, ok bool) {
	flags := flag.NewFlagSet("buddyclock serve", flag.ContinueOnError)
	flags.SetOutput(io.Discard) // said below, on the right stream
	flags.StringVar(&o.addr, "addr", ":8080", "listen on this `address`; 127.0.0.1:8080 keeps to this machine")
	flags.StringVar(&o.data, "data", "", "keep the data in this `folder` (default: your folder for program data)")
	flags.Var(&o.names, "host", "a further `name` under which phones may open the page; may be given several times")
	flags.BoolVar(&o.tls, "tls", false, "https with a certificate of this machine's own, which each phone must be told once to trust")
	flags.StringVar(&o.cert, "tls-cert", "", "https with your own certificate from this PEM `file`")
	flags.StringVar(&o.key, "tls-key", "", "the PEM `file` with the key of -tls-cert")
	err := flags.Parse(args)
	if err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("there is no use for %q", flags.Arg(0))
	}
	switch {
	case err != nil:
	case (o.cert == "") != (o.key == ""):
		err = errors.New("-tls-cert and -tls-key go together")
	case o.tls && o.cert != "":
		err = errors.New("-tls makes a certificate and -tls-cert brings one: choose one of them")
	}
	if err == nil {
		return o, exitOK, true
	}
	out, code := m.Stderr, exitUsage
	if errors.Is(err, flag.ErrHelp) {
		out, code = m.Stdout, exitOK
		m.usage(out)
		fmt.Fprint(out, "\nFlags of serve:\n")
	} else {
		fmt.Fprintf(out, "buddyclock serve: %v\n\nFlags:\n", err)
	}
	flags.SetOutput(out)
	flags.PrintDefaults()
	return o, code, false
}

// serve runs the server until ctx ends.
func (m *Main) serve(ctx context.Context, args []string) int {
	o, code, ok := m.serveFlags(args)
	if !ok {
		return code
	}
	if err := m.runServer(ctx, o); err != nil {
		return m.fail(err)
	}
	return exitOK
}

func (m *Main) runServer(ctx context.Context, o serveOptions) error {
	var err error
	if o.data, err = dataFolder(o.data); err != nil {
		return err
	}
	// The port comes first: another Buddyclock that has it may have the data too,
	// and "the port is taken" is what people understand.
	listener, err := net.Listen("tcp", o.addr)
	if err != nil {
		return listenError(o.addr, err)
	}
	defer listener.Close()

	// Packing the page takes longest, so it goes on while the data is opened.
	type packing struct {
		assets *web.Assets
		err    error
	}
	packed := make(chan packing, 1)
	go func() {
		assets, err := web.NewAssets(web.Source())
		packed <- packing{assets, err}
	}()
	log := slog.New(slog.NewTextHandler(m.Stderr, nil))
	shared := server.NewSharedClock(m.Clock)
	st, err := store.Open(o.data, shared.NowMs, store.FoldLater(m.Clock), store.Troubled(foldTrouble(log)))
	if err != nil {
		return storeError(o.data, err)
	}
	way, err := newTier(o, m.Clock.Now)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	lastMs, err := st.LastMs(ctx)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	shared.GoOnFrom(lastMs)
	goesOnWithin := sessionGoesOnWithin
	if o.demo != nil {
		goesOnWithin = -time.Millisecond
	}
	session, err := st.ContinueSession(access.NewID(), goesOnWithin.Milliseconds())
	if err != nil {
		return errors.Join(fmt.Errorf("the outing cannot be begun: %w", err), st.Close())
	}
	page := <-packed
	if page.err != nil {
		return errors.Join(page.err, st.Close())
	}
	bound := listener.Addr().(*net.TCPAddr)
	urls := func() []string { return way.urls(bound) }
	srv := server.New(server.Options{
		Store: st, Session: session, Clock: m.Clock, Shared: shared, Assets: page.assets,
		Hosts: server.NewHosts(m.Clock, way.names()...),
		URLs:  urls,
		Log:   log,

		Simulated: o.demo != nil || demo.Marked(o.data),
	})
	httpServer := &http.Server{
		Handler:           way.handler(srv, urls),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		// Else "OPTIONS *" is answered ahead of the handler that looks at Host.
		DisableGeneralOptionsHandler: true,
		// What it has to say is about broken-off connections, and pools have many.
		ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelDebug),
	}
	failed := make(chan error, 1)
	// Ahead of TLS, so that connections beyond the bound cost no handshake.
	go func() { failed <- httpServer.Serve(way.listen(server.Bounded(listener, maxConnsOfAddress, maxConns))) }()

	if o.demo != nil {
		o.demo(startedAt(srv, way, bound), st)
	} else {
		m.announce(srv, way, bound, o.data, way.clockOddity(m.Clock.Now(), lastMs), way.addressOddity(bound), peopleOddity(o.data))
	}
	if m.Ready != nil {
		m.Ready(startedAt(srv, way, bound))
	}
	select {
	case <-ctx.Done():
		err = nil
	case err = <-failed:
		err = fmt.Errorf("the server stopped: %w", err)
	}
	grace, cancel := m.Clock.WithTimeout(context.Background(), endWithin)
	defer cancel()
	if httpServer.Shutdown(grace) != nil {
		httpServer.Close()
	}
	srv.Shutdown()
	if closeErr := st.Close(); closeErr != nil {
		err = errors.Join(err, fmt.Errorf("the data file could not be closed well: %w", closeErr))
	}
	return err
}

// listenError says in one sentence why an address cannot be listened on.
func listenError(addr string, err error) error {
	var unknown *net.OpError
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("%s is taken by another program (perhaps another Buddyclock); stop that one, or choose another port such as -addr :8081", addr)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("this user may not listen on %s; choose a port above 1023 such as -addr :8080", addr)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		host, port, _ := net.SplitHostPort(addr)
		return fmt.Errorf("this machine has no address %s; -addr :%s listens on all that it has", host, port)
	case errors.As(err, &unknown):
		return fmt.Errorf("cannot listen on %s (%v); -addr takes an address such as :8080 or 127.0.0.1:8080", addr, unknown.Err)
	}
	return fmt.Errorf("cannot listen on %s: %w", addr, err)
}

// foldTrouble says when stored events wait for the data file, and when no longer.
func foldTrouble(log *slog.Logger) func(error) {
	return func(err error) {
		if err != nil {
			log.Error("events are stored in the journal beside the data file and cannot be brought into it: holds go on, logs and exports do not", "reason", err)
		} else {
			log.Info("events are brought into the data file again")
		}
	}
}

// storeError adds what to do, where the store does not know it.
func storeError(dir string, err error) error {
	var damaged *store.DamagedError
	switch {
	case errors.As(err, &damaged):
		return err
	case errors.Is(err, store.ErrInUse):
		return fmt.Errorf("%w; stop it, or choose another folder with -data DIR", err)
	}
	return fmt.Errorf("the data folder %s cannot be used: %w; choose another with -data DIR", dir, err)
}
