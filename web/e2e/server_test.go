package e2e

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// built is the program, compiled once for all tests of the package.
var built = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "buddyclock-e2e-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "buddyclock")
	out, err := exec.Command("go", "build", "-o", path, "buddyclock/cmd/buddyclock").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the program: %w\n%s", err, out)
	}
	return path, nil
})

// program is one running `buddyclock serve` with a data folder.
type program struct {
	cmd        *exec.Cmd
	data       string
	addr       string // host:port
	joinURL    string
	instructor string
}

var linkLine = regexp.MustCompile(`http://\S+/#([ji])=\S+`)

// startProgram runs the real program on a loopback port. data may be empty for
// a new folder, addr for a free port.
func startProgram(t testing.TB, data, addr string) *program {
	t.Helper()
	if data == "" {
		data = t.TempDir()
	}
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	p := startCommand(t, "serve", "-addr", addr, "-data", data)
	p.data = data
	return p
}

// startCommand runs a command of the real program that serves pages.
func startCommand(t testing.TB, args ...string) *program {
	t.Helper()
	path, err := built()
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, args...)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	require.NoError(t, cmd.Start())
	p := &program{cmd: cmd}
	t.Cleanup(func() {
		cancel()
		_ = cmd.Wait()
	})
	lines := bufio.NewScanner(out)
	for p.joinURL == "" || p.instructor == "" {
		require.True(t, lines.Scan(), "the program ended before it told its links: %s", complaints.String())
		if found := linkLine.FindStringSubmatch(lines.Text()); found != nil {
			if found[1] == "j" {
				p.joinURL = found[0]
			} else {
				p.instructor = found[0]
			}
		}
	}
	p.addr = strings.SplitN(strings.TrimPrefix(p.joinURL, "http://"), "/", 2)[0]
	go func() {
		for lines.Scan() {
		}
	}()
	return p
}

// kill ends the program as a crash would.
func (p *program) kill(t testing.TB) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGKILL))
	_ = p.cmd.Wait()
}

// stop ends the program as Ctrl-C does, and wants a clean exit.
func (p *program) stop(t testing.TB) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Signal(os.Interrupt))
	require.NoError(t, p.cmd.Wait(), "Ctrl-C ends cleanly")
}
