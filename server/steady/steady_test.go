package steady

import (
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
)

var kept [][]byte

// misbehaves runs a fuzz-like test in a process of its own, since it is to fail.
const misbehaves = "BUDDYCLOCK_TEST_MISBEHAVE"

// Ensures that code which keeps or takes too much memory fails its test, and that
// code which does neither passes.
func TestWatchFindsWhatGrows(t *testing.T) {
	what := os.Getenv(misbehaves)
	if what == "" {
		for _, c := range []struct {
			what, says string
			ok         bool
		}{{"nothing", "", true}, {"keeps", "bytes are kept", false}, {"takes", "bytes of memory", false}} {
			cmd := exec.Command(os.Args[0], "-test.run=^TestWatchFindsWhatGrows$")
			cmd.Env = append(os.Environ(), misbehaves+"="+c.what)
			said, err := cmd.CombinedOutput()
			require.Equal(t, c.ok, err == nil, "%s: %s", c.what, said)
			require.Contains(t, string(said), c.says)
		}
		return
	}
	w := New(10, 1<<20)
	for range 3 * lookEvery {
		w.Run(t, 100, func() {
			if what == "keeps" {
				kept = append(kept, make([]byte, 1000))
			}
		})
	}
	w.Run(t, 100, func() {
		if what == "takes" {
			kept = append(kept, make([]byte, 16<<20))
		}
	})
}
