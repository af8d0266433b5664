package main

import (
	"cmp"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"

	"buddyclock/server"
)

// userDataDir is the folder of the system for what programs keep for a user.
func userDataDir() (string, error) {
	const name = "buddyclock"
	if runtime.GOOS == "windows" {
		dir, err := os.UserCacheDir() // %LocalAppData%, which is where data that stays here belongs
		return filepath.Join(dir, name), err
	}
	if runtime.GOOS == "darwin" {
		dir, err := os.UserConfigDir() // ~/Library/Application Support
		return filepath.Join(dir, name), err
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, name), nil
	}
	home, err := os.UserHomeDir()
	return filepath.Join(home, ".local", "share", name), err
}

// dataFolder is the folder that -data names, or else the user's own.
func dataFolder(named string) (string, error) {
	if named != "" {
		return named, nil
	}
	dir, err := userDataDir()
	if err != nil {
		return "", fmt.Errorf("your folder for program data is not known (%w); choose one with -data DIR", err)
	}
	return dir, nil
}

// lanAddrs gives the addresses under which other devices may reach the server,
// best first. It looks them up anew, since a laptop changes networks.
func lanAddrs(bound *net.TCPAddr) []netip.Addr {
	if ip, ok := netip.AddrFromSlice(bound.IP); ok && !ip.IsUnspecified() {
		return []netip.Addr{ip.Unmap()}
	}
	addrs := slices.DeleteFunc(server.Addresses(), func(a netip.Addr) bool { return a.IsLinkLocalUnicast() || a.IsMulticast() })
	route := defaultRoute()
	slices.SortStableFunc(addrs, func(a, b netip.Addr) int { return cmp.Compare(rank(a, route), rank(b, route)) })
	return addrs
}

// rank orders addresses by how likely a phone beside us reaches them.
func rank(a, route netip.Addr) int {
	switch {
	case a == route:
		return 0
	case a.Is4() && a.IsPrivate():
		return 1
	case a.Is4():
		return 2
	}
	return 3
}

// defaultRoute is the address this machine would send from. Connecting a UDP
// socket chooses it and sends nothing; the address aimed at is one kept for
// documents (RFC 5737) and is nobody's.
func defaultRoute() netip.Addr {
	c, err := net.Dial("udp4", "192.0.2.1:9")
	if err != nil {
		return netip.Addr{}
	}
	defer c.Close()
	local, _ := netip.ParseAddrPort(c.LocalAddr().String())
	return local.Addr()
}

// localURL is the server's address on this machine. It is plain http in every
// tier: a browser holds its own machine to be secure.
func localURL(bound *net.TCPAddr) string {
	if ip, ok := netip.AddrFromSlice(bound.IP); ok && !ip.IsUnspecified() {
		return urlOf("http", ip.Unmap().String(), bound.Port)
	}
	return urlOf("http", "localhost", bound.Port)
}

func urlOf(scheme, host string, port int) string {
	if (scheme == "http" && port == 80) || (scheme == "https" && port == 443) {
		if addr, err := netip.ParseAddr(host); err == nil && addr.Is6() {
			host = "[" + host + "]"
		}
		return scheme + "://" + host
	}
	return scheme + "://" + net.JoinHostPort(host, strconv.Itoa(port))
}
