package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"buddyclock/server/access"
	"buddyclock/server/store"
)

// fillDisk keeps a running program from writing anything to a file, as a full
// disk would. makeRoom undoes it.
func (p *process) fillDisk(t *testing.T) {
	t.Helper()
	p.limitFiles(t, 0)
}

func (p *process) makeRoom(t *testing.T) {
	t.Helper()
	p.limitFiles(t, unix.RLIM_INFINITY)
}

func (p *process) limitFiles(t *testing.T, bytes uint64) {
	t.Helper()
	limit := &unix.Rlimit{Cur: bytes, Max: unix.RLIM_INFINITY}
	require.NoError(t, unix.Prlimit(p.cmd.Process.Pid, unix.RLIMIT_FSIZE, limit, nil))
}

// member is a joined device of the test.
type member struct {
	device, token, pair string
	count               int
	ws                  *websocket.Conn
}

func joinAs(t *testing.T, p *process, pair, role string) *member {
	t.Helper()
	m := &member{device: access.NewID()}
	answer := post(t, p.url, "/api/join", map[string]any{"secret": p.join, "pair": pair, "role": role, "device": m.device, "name": "Runa"})
	m.token, m.pair = answer["token"].(string), answer["pair"].(string)
	return m
}

func (m *member) connect(t *testing.T, p *process) (welcome map[string]any) {
	t.Helper()
	m.ws, welcome = phone(t, p.url, m.token, m.pair, m.device)
	t.Cleanup(func() { m.ws.Close() })
	return welcome
}

func (m *member) event(kind string) map[string]any {
	m.count++
	return map[string]any{"id": fmt.Sprintf("%s-%06d", m.device, m.count), "hold": "h", "kind": kind, "at": time.Now().UnixMilli(), "err": 1, "by": "buddy"}
}

func (m *member) offer(t *testing.T, events ...map[string]any) {
	t.Helper()
	require.NoError(t, m.ws.WriteJSON(map[string]any{"type": "events", "events": events}))
}

// hears reads until a message of a type names an id, and gives the types that
// named it on the way.
func (m *member) hears(t *testing.T, kind, id string) (types []string) {
	t.Helper()
	for {
		var message map[string]any
		require.NoError(t, m.ws.ReadJSON(&message), "waiting for %s of %s after %v", kind, id, types)
		ids, _ := message["ids"].([]any)
		events, _ := message["events"].([]any)
		for _, e := range events {
			ids = append(ids, e.(map[string]any)["id"])
		}
		for _, one := range ids {
			if one == id {
				types = append(types, message["type"].(string))
			}
		}
		if len(types) > 0 && types[len(types)-1] == kind {
			return types
		}
	}
}

// Ensures that a hold goes on while the disk is full: nothing is acknowledged
// that is not on it, the others are told all the same, it is said once, and once
// there is room what was offered again is stored, once, also past a kill.
func TestH08FullDisk(t *testing.T) {
	for _, killed := range []bool{false, true} {
		t.Run(fmt.Sprintf("killed %v", killed), func(t *testing.T) {
			dir := t.TempDir()
			cmd := asProgram("serve", "-addr", "127.0.0.1:0", "-data", dir)
			said := &output{}
			cmd.Stderr = said
			p := startCommand(t, cmd)
			buddy := joinAs(t, p, "new", "buddy")
			diver := joinAs(t, p, buddy.pair, "diver")
			buddy.connect(t, p)
			diver.connect(t, p)
			before := buddy.event("start")
			buddy.offer(t, before)
			buddy.hears(t, "stored", before["id"].(string))

			p.fillDisk(t)
			var lost []map[string]any
			for range 5 {
				e := buddy.event("look")
				lost = append(lost, e)
				buddy.offer(t, e)
				require.Equal(t, []string{"error"}, buddy.hears(t, "error", e["id"].(string)))
				diver.hears(t, "events", e["id"].(string))
			}
			require.NoError(t, buddy.ws.WriteJSON(map[string]any{"type": "time", "t1": 1}))

			if killed {
				require.NoError(t, p.cmd.Process.Kill())
				p.cmd.Wait()
				code, out, complaints := run(t, "verify", "-data", dir)
				require.Equal(t, exitOK, code, out+complaints)
				require.Contains(t, out, "events 1,")
				p = startProcess(t, dir)
				welcome := buddy.connect(t, p)
				require.Equal(t, map[string]any{buddy.device: 1.0}, welcome["have"])
			} else {
				p.makeRoom(t)
			}
			for _, e := range lost {
				buddy.offer(t, e)
				buddy.hears(t, "stored", e["id"].(string))
			}
			require.NoError(t, p.cmd.Process.Signal(os.Interrupt))
			require.NoError(t, p.cmd.Wait())
			require.Equal(t, 1, strings.Count(said.String(), "events cannot be written to disk"), said)
			require.Contains(t, said.String(), "the disk is full")
			require.Equal(t, !killed, strings.Contains(said.String(), "written to disk again"), said)
			code, out, complaints := run(t, "verify", "-data", dir)
			require.Equal(t, exitOK, code, out+complaints)
			require.Contains(t, out, "events 6, holds 1,")
		})
	}
}

// Ensures that a disk that is full at the start is said to be so in one sentence,
// that nothing half-made is left under the file's name, and that the next start
// with room finds all as it was.
func TestH08FullDiskAtTheStart(t *testing.T) {
	used, _ := aFolder(t)
	fresh := t.TempDir()
	for _, dir := range []string{fresh, used} {
		cmd := exec.Command("sh", "-c", `ulimit -f 8 && exec "$0" -addr 127.0.0.1:0 -data "$1"`, os.Args[0], dir)
		cmd.Env = append(os.Environ(), beProgram+"=1")
		var complaints strings.Builder
		cmd.Stderr = &complaints
		var exit *exec.ExitError
		require.ErrorAs(t, cmd.Run(), &exit)
		require.Equal(t, exitFailed, exit.ExitCode())
		require.Equal(t, 1, strings.Count(complaints.String(), "\n"), complaints.String())
		require.Contains(t, complaints.String(), dir)
		require.Contains(t, complaints.String(), "the disk is full")
		require.NotContains(t, complaints.String(), "damaged")
	}
	require.NoFileExists(t, filepath.Join(fresh, store.FileName))
	code, out, complaints := run(t, "verify", "-data", used)
	require.Equal(t, exitOK, code, complaints)
	require.Contains(t, out, "events 3,")
	for _, dir := range []string{fresh, used} {
		p := start(t, nil, "-addr", "127.0.0.1:0", "-data", dir)
		require.Equal(t, exitOK, p.stop())
	}
}
