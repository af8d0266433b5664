package protocol_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// topLevel is all that stands at the root of the source tree, besides files whose name begins with a dot.
var topLevel = []string{
	"DEVELOPERS.md", "README.md", "cmd", "go.mod", "go.sum", "protocol", "server", "testdata", "web",
}

// Ensures that the root stays a table of contents: whatever is new has its place in one of these.
func TestTopLevelHoldsExactlyItsNames(t *testing.T) {
	ignored, err := os.ReadFile(filepath.Join(repository, ".gitignore"))
	require.NoError(t, err)
	entries, err := os.ReadDir(repository)
	require.NoError(t, err)
	var names []string
	for _, entry := range entries {
		name := entry.Name()
		built := slices.Contains(strings.Split(string(ignored), "\n"), "/"+name)
		if !strings.HasPrefix(name, ".") && !built {
			names = append(names, name)
		}
	}
	require.Equal(t, topLevel, names)
}

// Ensures that no check can be left out: one that is skipped on the machine that needs it is no check. What a test
// needs and does not find is a failure that says what to install.
func TestNoTestIsSkipped(t *testing.T) {
	goSkip := regexp.MustCompile(`\b[tbf]\.Skip(Now|f)?\(|testing\.Short\(\)`)
	jsSkip := regexp.MustCompile(`\b(test|it|describe|suite)\.(skip|todo|only)\b|\b(skip|todo|only):\s*(true|['"])|\bt\.(skip|todo)\(`)
	seen := 0
	err := filepath.WalkDir(repository, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || entry.Name() == "layout_test.go" {
			return err
		}
		var skip *regexp.Regexp
		switch {
		case strings.HasSuffix(path, "_test.go"):
			skip = goSkip
		case strings.HasSuffix(path, ".test.js"):
			skip = jsSkip
		default:
			return nil
		}
		seen++
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if found := skip.Find(text); found != nil {
			t.Errorf("%s can leave a test out (%s): what a test needs and does not find is a failure", path, found)
		}
		return nil
	})
	require.NoError(t, err)
	require.NotZero(t, seen)
}
