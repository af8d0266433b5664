package main

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"time"

	"rsc.io/qr"

	"buddyclock/server"
)

// announce says in a few lines where the server listens, how phones get in, and
// what is odd.
func (m *Main) announce(srv *server.Server, t *tier, bound *net.TCPAddr, dataDir string, oddities ...string) {
	best := t.urls(bound)[0]
	join := best + srv.JoinPath()
	fmt.Fprintf(m.Stdout, "Buddyclock listens on port %d and keeps its data in %s\n\n", bound.Port, dataDir)
	if setup := t.setupURL(bound); setup != "" {
		fmt.Fprintf(m.Stdout, "FIRST, once on each phone: scan this picture, or open  %s\nand have it trust the certificate with this fingerprint (SHA-256):\n%s\n\n", setup, t.authority.Fingerprint())
		m.showQR(setup)
		fmt.Fprint(m.Stdout, "\nTHEN, each time:\n\n")
	}
	m.showQR(join)
	fmt.Fprintf(m.Stdout, "\nPhones scan the picture, or open  %s\n", join)
	fmt.Fprintf(m.Stdout, "or open %s and type  %s\n", best, codeLine(srv))
	fmt.Fprintf(m.Stdout, "The instructor opens  %s\n", best+srv.InstructorPath())
	if local := localURL(bound); local != best {
		fmt.Fprintf(m.Stdout, "On this machine:      %s\n", local+srv.JoinPath())
	}
	fmt.Fprintf(m.Stdout, "\n%s\n", t.promise(bound))
	for _, odd := range oddities {
		if odd != "" {
			fmt.Fprintf(m.Stdout, "NOTE: %s\n", odd)
		}
	}
	fmt.Fprint(m.Stdout, "Enter shows the code anew, Ctrl-C ends.\n")
	if m.Stdin != nil {
		go m.showCodes(srv)
	}
}

// showQR draws an address as a picture to scan; one too long for that is left to the text.
func (m *Main) showQR(address string) {
	if code, err := qr.Encode(address, qr.M); err == nil {
		printQR(m.Stdout, code, isTerminal(m.Stdout))
	}
}

// codeLine spells the code to type in two groups, with how long it is good for.
func codeLine(srv *server.Server) string {
	code, left := srv.Code()
	return fmt.Sprintf("%s %s  (good for %d min)", code[:3], code[3:], int(left.Round(time.Minute).Minutes()))
}

// showCodes prints the present code whenever somebody presses Enter.
func (m *Main) showCodes(srv *server.Server) {
	lines := bufio.NewScanner(m.Stdin)
	for lines.Scan() {
		fmt.Fprintf(m.Stdout, "Code to type:  %s\n", codeLine(srv))
	}
}

// printQR draws a code with two rows of it in one row of signs. Without colours
// it assumes light signs on a dark ground.
func printQR(w io.Writer, code *qr.Code, colours bool) {
	const quiet = 4 // light modules around the code, as the standard demands
	on, off := "", ""
	if colours {
		on, off = "\x1b[97;40m", "\x1b[0m"
	}
	var b strings.Builder
	for y := -quiet; y < code.Size+quiet; y += 2 {
		b.WriteString(on)
		for x := -quiet; x < code.Size+quiet; x++ {
			// Black gives false outside the code, which is the quiet zone.
			top, bottom := code.Black(x, y), code.Black(x, y+1)
			switch {
			case top && bottom:
				b.WriteByte(' ')
			case top:
				b.WriteString("▄")
			case bottom:
				b.WriteString("▀")
			default:
				b.WriteString("█")
			}
		}
		b.WriteString(off + "\n")
	}
	io.WriteString(w, b.String())
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func startedAt(srv *server.Server, t *tier, bound *net.TCPAddr) Started {
	base := localURL(bound)
	if t.config != nil {
		base = t.urls(bound)[0]
	}
	return Started{URL: base, JoinURL: base + srv.JoinPath(), InstructorURL: base + srv.InstructorPath()}
}
