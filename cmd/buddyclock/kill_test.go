//go:build unix

package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"buddyclock/server/access"
	"buddyclock/server/store"
)

// The test binary serves as the program itself when this is set, so that the
// real thing can be killed.
const beProgram = "BUDDYCLOCK_TEST_BE_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(beProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// process is the program in a process of its own.
type process struct {
	cmd       *exec.Cmd
	url, join string
}

var joinLine = regexp.MustCompile(`(http://\S+)/#j=(\S+)`)

func startProcess(t *testing.T, dir string) *process {
	t.Helper()
	return startCommand(t, asProgram("serve", "-addr", "127.0.0.1:0", "-data", dir))
}

// asProgram is a command that runs the program with arguments.
func asProgram(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), beProgram+"=1")
	cmd.Stderr = os.Stderr
	return cmd
}

// startCommand starts a server and waits for its link.
func startCommand(t testing.TB, cmd *exec.Cmd) *process {
	t.Helper()
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Kill() })
	lines := bufio.NewScanner(stdout)
	for lines.Scan() {
		if found := joinLine.FindStringSubmatch(lines.Text()); found != nil {
			go io.Copy(io.Discard, stdout)
			return &process{cmd, found[1], found[2]}
		}
	}
	require.Fail(t, "the program said no link")
	return nil
}

// phone connects a device over the real socket and welcomes it.
func phone(t *testing.T, url, token, pair, device string) (ws *websocket.Conn, welcome map[string]any) {
	t.Helper()
	ws, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(url, "http")+"/socket", map[string][]string{"Origin": {url}})
	require.NoError(t, err)
	require.NoError(t, ws.SetReadDeadline(time.Now().Add(within)))
	require.NoError(t, ws.WriteJSON(map[string]any{"type": "hello", "v": 1, "token": token, "pair": pair, "device": device}))
	require.NoError(t, ws.ReadJSON(&welcome))
	require.Equal(t, "welcome", welcome["type"], welcome)
	return ws, welcome
}

// Ensures that no event the server has acknowledged is lost or doubled when its
// process is killed in the midst of writing, round after round on one file.
func TestH08KilledServerLosesNothing(t *testing.T) {
	dir := t.TempDir()
	device := access.NewID()
	var token, pair string
	acknowledged := map[string]bool{}
	count := 0
	for round := range 6 {
		p := startProcess(t, dir)
		if token == "" {
			answer := post(t, p.url, "/api/join", map[string]any{"secret": p.join, "pair": "new", "role": "buddy", "device": device, "name": "Marek"})
			token, pair = answer["token"].(string), answer["pair"].(string)
		}
		ws, welcome := phone(t, p.url, token, pair, device)
		seen := map[string]int{}
		for more := welcome; ; {
			for _, e := range more["events"].([]any) {
				seen[e.(map[string]any)["id"].(string)]++
			}
			if more["more"] != true {
				break
			}
			more = nil
			for more == nil || more["type"] != "events" {
				more = nil
				require.NoError(t, ws.ReadJSON(&more))
			}
		}
		for id := range acknowledged {
			require.Equal(t, 1, seen[id], "round %d: %s", round, id)
		}
		for id, n := range seen {
			require.Equal(t, 1, n, id)
		}

		// The phone goes on recording while the process is killed.
		var sent atomic.Int64
		sending := make(chan struct{})
		go func() {
			defer close(sending)
			for {
				count++
				e := map[string]any{"id": fmt.Sprintf("%s-%06d", device, count), "hold": "h", "kind": "look", "at": time.Now().UnixMilli(), "err": 1, "by": "buddy"}
				if ws.WriteJSON(map[string]any{"type": "events", "events": []any{e}}) != nil {
					return
				}
				sent.Add(1)
			}
		}()
		after := 20 + 37*round
		for receipts := 0; ; {
			var m map[string]any
			if ws.ReadJSON(&m) != nil {
				break
			}
			if m["type"] != "stored" {
				continue
			}
			for _, id := range m["ids"].([]any) {
				acknowledged[id.(string)] = true
				receipts++
			}
			if receipts >= after {
				after = int(^uint(0) >> 1)
				require.NoError(t, p.cmd.Process.Signal(syscall.SIGKILL))
			}
		}
		ws.Close()
		<-sending
		p.cmd.Wait()
		require.Greater(t, int(sent.Load()), 20)
	}
	require.Greater(t, len(acknowledged), 200)
}

// Ensures that Ctrl-C ends the program cleanly: the phones are told, the file is
// closed, and the exit code is 0.
func TestInterruptEndsCleanly(t *testing.T) {
	p := startProcess(t, t.TempDir())
	device := access.NewID()
	answer := post(t, p.url, "/api/join", map[string]any{"secret": p.join, "pair": "new", "role": "buddy", "device": device, "name": ""})
	ws, _ := phone(t, p.url, answer["token"].(string), answer["pair"].(string), device)
	defer ws.Close()
	require.NoError(t, p.cmd.Process.Signal(os.Interrupt))
	var m map[string]any
	for m["type"] != "bye" {
		m = nil
		require.NoError(t, ws.ReadJSON(&m))
	}
	require.Equal(t, "stopped", m["reason"])
	err := ws.ReadJSON(&m)
	require.True(t, websocket.IsCloseError(err, websocket.CloseGoingAway), err)
	require.NoError(t, p.cmd.Wait())
}

// forSomebodyElse gives a folder that every user can reach, with the program in
// it: a superuser may write everywhere, so tests of permissions run it as another.
func forSomebodyElse(t *testing.T) (place, program string) {
	t.Helper()
	place, err := os.MkdirTemp("", "buddyclock-test-")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(place) })
	require.NoError(t, os.Chmod(place, 0o755))
	self, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	program = filepath.Join(place, "program")
	require.NoError(t, os.WriteFile(program, self, 0o755))
	return place, program
}

// somebodyElse has a command run as a user who is bound by permissions.
func somebodyElse(cmd *exec.Cmd) {
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
}

// Ensures that a folder which may not be written to is said to be so, in one
// sentence.
func TestUnwritableFolder(t *testing.T) {
	place, program := forSomebodyElse(t)
	folder := filepath.Join(place, "data")
	require.NoError(t, os.Mkdir(folder, 0o555))

	for _, dir := range []string{folder, filepath.Join(folder, "new")} {
		cmd := exec.Command(program, "-addr", "127.0.0.1:0", "-data", dir)
		cmd.Env = append(os.Environ(), beProgram+"=1")
		somebodyElse(cmd)
		cmd.Dir = place
		var complaints strings.Builder
		cmd.Stderr = &complaints
		var exit *exec.ExitError
		require.ErrorAs(t, cmd.Run(), &exit)
		require.Equal(t, exitFailed, exit.ExitCode())
		require.Contains(t, complaints.String(), dir)
		require.Contains(t, complaints.String(), "permission denied")
		require.Contains(t, complaints.String(), "-data")
		require.Equal(t, 1, strings.Count(complaints.String(), "\n"), complaints.String())
	}
}

// Ensures that data in a folder that may only be read is refused in one sentence
// that says so, and can be verified there.
func TestReadOnlyData(t *testing.T) {
	source, _ := aFolder(t)
	content, err := os.ReadFile(filepath.Join(source, store.FileName))
	require.NoError(t, err)
	place, program := forSomebodyElse(t)
	dir := filepath.Join(place, "data")
	require.NoError(t, os.Mkdir(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, store.FileName), content, 0o444))
	require.NoError(t, os.Chmod(dir, 0o555))
	for _, c := range []struct {
		args  []string
		code  int
		words []string
	}{
		{[]string{"-addr", "127.0.0.1:0", "-data", dir}, exitFailed, []string{dir, "cannot write to the data folder", "permission denied", "-data"}},
		{[]string{"verify", "-data", dir}, exitOK, []string{"sound:", "events 3,"}},
	} {
		cmd := exec.Command(program, c.args...)
		cmd.Env = append(os.Environ(), beProgram+"=1")
		cmd.Dir = place
		somebodyElse(cmd)
		said, err := cmd.CombinedOutput()
		require.Equal(t, c.code, cmd.ProcessState.ExitCode(), "%v: %s", err, said)
		for _, word := range c.words {
			require.Contains(t, string(said), word)
		}
	}
	now, err := os.ReadFile(filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	require.Equal(t, content, now)
}
