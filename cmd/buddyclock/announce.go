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

// announce says in a few lines where the server listens and how phones get in.
func (m *Main) announce(srv *server.Server, bound *net.TCPAddr, dataDir string) {
	best := lanURLs(bound)[0]
	join := best + srv.JoinPath()
	fmt.Fprintf(m.Stdout, "Buddyclock listens on port %d and keeps its data in %s\n\n", bound.Port, dataDir)
	if code, err := qr.Encode(join, qr.M); err == nil {
		printQR(m.Stdout, code, isTerminal(m.Stdout))
	}
	fmt.Fprintf(m.Stdout, "\nPhones scan the picture, or open  %s\n", join)
	fmt.Fprintf(m.Stdout, "or open %s and type  %s\n", best, codeLine(srv))
	fmt.Fprintf(m.Stdout, "The instructor opens  %s\n", best+srv.InstructorPath())
	if local := localURL(bound); local != best {
		fmt.Fprintf(m.Stdout, "On this machine:      %s\n", local+srv.JoinPath())
	}
	if bound.IP.IsLoopback() {
		fmt.Fprint(m.Stdout, "\nOnly this machine can open it; phones need an -addr such as :8080.\n")
	} else {
		fmt.Fprint(m.Stdout, "\nOver plain http anyone on this network can read along, and phones do not keep their screens on.\n")
	}
	fmt.Fprint(m.Stdout, "Enter shows the code anew, Ctrl-C ends.\n")
	if m.Stdin != nil {
		go m.showCodes(srv)
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

func startedAt(srv *server.Server, bound *net.TCPAddr) Started {
	local := localURL(bound)
	return Started{URL: local, JoinURL: local + srv.JoinPath(), InstructorURL: local + srv.InstructorPath()}
}
