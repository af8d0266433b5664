package main

import (
	"fmt"
	"net"
	"net/netip"
	"time"

	"buddyclock/cmd/buddyclock/demo"
)

// writtenIn is a day before which no clock of a machine that runs this program
// can be right.
var writtenIn = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// clockSlack is how far clocks may differ without a word.
const clockSlack = 24 * time.Hour

// clockOddity says what is strange about this machine's clock, or nothing.
// lastStoredMs is when the log was last written to, 0 if never.
func (t *tier) clockOddity(now time.Time, lastStoredMs int64) string {
	says := "This machine's clock says " + now.Format("2006-01-02 15:04")
	last := time.UnixMilli(lastStoredMs)
	switch {
	case now.Before(writtenIn):
		return says + ", before this program was written: set it, since the log and certificates go by it."
	case lastStoredMs != 0 && now.Before(last.Add(-clockSlack)):
		return fmt.Sprintf("%s, but the log was last written to on %s: look which is right before you go on.", says, last.Format(time.DateOnly))
	case t.authority != nil && now.Before(t.authority.Since().Add(-clockSlack)):
		return fmt.Sprintf("%s, but its certificate was made on %s: phones refuse it if the clock is wrong.", says, t.authority.Since().Format(time.DateOnly))
	case t.own != nil && now.After(t.own.NotAfter):
		return fmt.Sprintf("%s, and your certificate was good until %s: phones refuse it.", says, t.own.NotAfter.Format(time.DateOnly))
	case t.own != nil && now.Before(t.own.NotBefore):
		return fmt.Sprintf("%s, and your certificate is good from %s on: phones refuse it till then.", says, t.own.NotBefore.Format(time.DateOnly))
	}
	return ""
}

// addressOddity says what is strange about this machine's addresses, or nothing.
func (t *tier) addressOddity(bound *net.TCPAddr) string {
	addrs := lanAddrs(bound)
	if len(addrs) == 0 {
		return "This machine has no address on a network: phones cannot reach it. Connect it and start again."
	}
	if t.own != nil {
		for _, host := range append(t.certified(), t.hosts...) {
			if t.covers(host) {
				return ""
			}
		}
		if !t.coversAny(addrs) {
			return "Your certificate names neither an address of this machine nor a -host: phones refuse it. Give the name by which they reach this machine with -host."
		}
		return ""
	}
	if t.authority != nil && !t.coversAny(addrs) {
		return fmt.Sprintf("%s is not of a private network, so this machine's certificate cannot cover it: phones refuse it. Use -tls-cert with a certificate of your own, or leave out -tls.", addrs[0])
	}
	if best := addrs[0]; t.authority == nil && !best.IsPrivate() && !best.IsLoopback() {
		return fmt.Sprintf("%s is a public address: people far from this network may be able to reach it.", best)
	}
	return ""
}

func (t *tier) coversAny(addrs []netip.Addr) bool {
	for _, addr := range addrs {
		if t.covers(addr.String()) {
			return true
		}
	}
	return false
}

// promise says in one line what this tier gives and what it lacks.
func (t *tier) promise(bound *net.TCPAddr) string {
	switch {
	case bound.IP.IsLoopback():
		return "Only this machine can open it; phones need an -addr such as :8080."
	case t.own != nil:
		return "By https with your certificate, good until " + t.own.NotAfter.Format(time.DateOnly) + "; phones must know its issuer."
	case t.authority != nil:
		return "By https with this machine's certificate: nobody on this network can read along, and a phone that does not trust it cannot come in."
	}
	return "Over plain http anyone on this network can read along, phones do not keep their screens on, and the page cannot be installed: -tls mends this."
}

// peopleOddity says so where the people in the data folder are simulated.
func peopleOddity(dir string) string {
	if !demo.Marked(dir) {
		return ""
	}
	return "the people and holds in this data folder are simulated; for real ones choose another with -data DIR"
}
