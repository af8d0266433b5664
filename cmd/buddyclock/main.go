// Command buddyclock times static apnea for a buddy beside the diver: it serves
// the page to the phones of an outing, and examines recorded holds.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/benbjohnson/clock"

	"buddyclock/server"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1 // said in one sentence on Stderr
	exitUsage   = 2 // wrong flags or command
	exitUnsound = 3 // verify found damage, said on Stdout
)

// Main is the program with what it touches of the outside. Tests run the same
// struct with streams of their own.
type Main struct {
	Stdin  io.Reader
	Stdout io.Writer
	Stderr io.Writer
	Clock  clock.Clock

	// Ready, if set, is called once the server listens.
	Ready func(Started)
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// After the first signal the next one ends the program at once.
	context.AfterFunc(ctx, stop)
	clk := clock.New()
	server.CollectSeldom(ctx, clk)
	m := &Main{Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr, Clock: clk}
	os.Exit(m.Run(ctx, os.Args[1:]))
}

// Run carries out one command line and gives the exit code. It returns soon
// after ctx ends.
func (m *Main) Run(ctx context.Context, args []string) int {
	if len(args) == 0 || strings.HasPrefix(args[0], "-") {
		return m.serve(ctx, args)
	}
	switch args[0] {
	case "serve":
		return m.serve(ctx, args[1:])
	case "replay":
		return m.replay(args[1:])
	case "demo":
		return m.demo(ctx, args[1:])
	case "verify":
		return m.verify(ctx, args[1:])
	case "export":
		return m.export(ctx, args[1:])
	case "import":
		return m.importLog(ctx, args[1:])
	case "erase":
		return m.erase(ctx, args[1:])
	case "help":
		m.usage(m.Stdout)
		return exitOK
	}
	fmt.Fprintf(m.Stderr, "buddyclock: there is no command %q\n\n", args[0])
	m.usage(m.Stderr)
	return exitUsage
}

func (m *Main) usage(w io.Writer) {
	fmt.Fprint(w, `Buddyclock is the buddy's clock for static apnea.

  buddyclock [serve] [-addr :8080] [-data DIR] [-tls]   serves the page to the phones of an outing
  buddyclock demo [-speed N]                            an outing of simulated people, to look at
  buddyclock replay FILE                                shows what the rules make of recorded events
  buddyclock verify [-data DIR] [FILE]                  looks through the stored data, or an export, and says what is wrong with it
  buddyclock export [-diver NAME] [-o FILE]             writes the log as a table or as JSON Lines
  buddyclock import FILE                                reads such lines into the data
  buddyclock erase -diver NAME                          takes a diver's log out of the data for good

`+"`buddyclock COMMAND -h` tells the flags of a command.\n")
}
