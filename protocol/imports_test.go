package protocol_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// repository is the root of the source tree, seen from this package.
const repository = ".."

// pureImports are all that the rules may import. Everything here computes its results from its arguments alone.
var pureImports = []string{
	"bytes", "cmp", "encoding/json", "errors", "fmt", "io", "maps", "math", "math/bits", "reflect", "slices", "sort",
	"strconv", "strings", "unicode", "unicode/utf8",
}

// impureReasons say why the likeliest wrong imports of the rules are wrong.
var impureReasons = map[string]string{
	"time":        "the rules read no clock: the caller gives the time, so that every device gets the same state from the same events",
	"net":         "the rules touch no network: a hold is judged the same with and without one",
	"net/http":    "the rules touch no network: a hold is judged the same with and without one",
	"os":          "the rules touch no disk and no environment: only events count",
	"sync":        "the rules run no goroutine and share nothing: the caller owns a hold",
	"sync/atomic": "the rules run no goroutine and share nothing: the caller owns a hold",
	"context":     "the rules never wait, so there is nothing to cancel",
	"math/rand":   "the same events must give the same state each time",
	"log":         "the rules tell their caller what is wrong, they write nowhere",
}

// goFiles visits every Go file under the repository with its parsed imports.
func goFiles(t *testing.T, visit func(path string, file *ast.File)) {
	t.Helper()
	visited := 0
	files := token.NewFileSet()
	err := filepath.WalkDir(repository, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() {
			if hidden := strings.HasPrefix(entry.Name(), ".") && path != repository; hidden || entry.Name() == "node_modules" {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		file, err := parser.ParseFile(files, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		visited++
		visit(filepath.ToSlash(strings.TrimPrefix(path, repository+string(filepath.Separator))), file)
		return nil
	})
	require.NoError(t, err)
	require.NotZero(t, visited, "no Go file was found: the test looks in the wrong place")
}

func importsOf(t *testing.T, file *ast.File) []string {
	t.Helper()
	var paths []string
	for _, spec := range file.Imports {
		path, err := strconv.Unquote(spec.Path.Value)
		require.NoError(t, err)
		paths = append(paths, path)
	}
	return paths
}

// Ensures that the rules stay a pure function of events and time.
func TestRulesImportOnlyPurePackages(t *testing.T) {
	seen := 0
	goFiles(t, func(path string, file *ast.File) {
		if !strings.HasPrefix(path, "protocol/") || strings.HasSuffix(path, "_test.go") {
			return
		}
		seen++
		for _, name := range importsOf(t, file) {
			if slices.Contains(pureImports, name) {
				continue
			}
			reason := impureReasons[name]
			if reason == "" {
				reason = "the rules reach nothing but themselves and the pure parts of the standard library"
			}
			t.Errorf("%s imports %q: %s", path, name, reason)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if _, is := n.(*ast.GoStmt); is {
				t.Errorf("%s starts a goroutine: the caller owns a hold, and its order is the events' order", path)
			}
			return true
		})
	})
	require.NotZero(t, seen)
}

// Ensures that gorilla/websocket is a second opinion in tests and nothing else: a server tested with the library it
// is built on would agree with that library's mistakes, and two libraries in the program would be twice the risk.
func TestSecondSocketLibraryOnlyInTests(t *testing.T) {
	goFiles(t, func(path string, file *ast.File) {
		for _, name := range importsOf(t, file) {
			if strings.HasPrefix(name, "github.com/gorilla/websocket") && !strings.HasSuffix(path, "_test.go") {
				t.Errorf("%s imports %q: only tests do, as a client that shares no code with the server", path, name)
			}
			if strings.HasPrefix(name, "gonum.org") && !strings.HasSuffix(path, "_test.go") {
				t.Errorf("%s imports %q: only tests do, as a second opinion on what the rules compute", path, name)
			}
			if strings.HasPrefix(name, "github.com/stretchr/testify") && !strings.HasSuffix(path, "_test.go") {
				t.Errorf("%s imports %q: the program carries no test code", path, name)
			}
		}
	})
}

// Ensures that every timer of the program can be moved by a test. Reading the time is not a timer.
func TestTimersGoThroughTheClock(t *testing.T) {
	timers := []string{"After", "AfterFunc", "NewTicker", "NewTimer", "Sleep", "Tick"}
	goFiles(t, func(path string, file *ast.File) {
		if strings.HasSuffix(path, "_test.go") || !slices.Contains(importsOf(t, file), "time") {
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, is := n.(*ast.SelectorExpr)
			if !is {
				return true
			}
			if from, is := call.X.(*ast.Ident); is && from.Name == "time" && slices.Contains(timers, call.Sel.Name) {
				t.Errorf("%s uses time.%s: timers go through the injected clock, so that tests wait for no real time", path, call.Sel.Name)
			}
			return true
		})
	})
}

// impureNames are what a page or a program could give the JavaScript rules besides events and time.
var impureNames = map[string]string{
	"document":       "the rules know no page",
	"window":         "the rules know no page",
	"navigator":      "the rules know no page",
	"globalThis":     "the rules reach nothing that is not passed to them",
	"process":        "the rules run in a browser too",
	"Date":           "the rules read no clock: the caller gives the time",
	"performance":    "the rules read no clock: the caller gives the time",
	"setTimeout":     "the rules never wait",
	"setInterval":    "the rules never wait",
	"queueMicrotask": "the rules never wait",
	"Promise":        "the rules never wait",
	"fetch":          "the rules touch no network",
	"XMLHttpRequest": "the rules touch no network",
	"WebSocket":      "the rules touch no network",
	"localStorage":   "the rules keep nothing",
	"indexedDB":      "the rules keep nothing",
	"random":         "the same events must give the same state each time",
	"crypto":         "the same events must give the same state each time",
	"console":        "the rules tell their caller what is wrong, they write nowhere",
}

var (
	staticImport  = regexp.MustCompile(`(?m)^\s*(?:import|export)\b[^;'"]*?from\s*['"]([^'"]+)['"]|^\s*import\s*['"]([^'"]+)['"]`)
	siblingModule = regexp.MustCompile(`^\./[a-z_]+\.js$`)
	dynamicImport = regexp.MustCompile(`\bimport\s*[(.]`)
	awaits        = regexp.MustCompile(`\b(?:async|await)\b`)
	identifier    = regexp.MustCompile(`[\p{L}_$][\p{L}\p{N}_$]*`)
)

// Ensures that the JavaScript rules are as pure as their twins in Go.
func TestJavaScriptRulesArePure(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join(repository, "web", "rules", "*"))
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	for _, path := range paths {
		name := filepath.Base(path)
		require.True(t, strings.HasSuffix(name, ".js"), "web/rules holds modules only, not %s", name)
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, match := range staticImport.FindAllStringSubmatch(withoutComments(string(text)), -1) {
			if from := match[1] + match[2]; !siblingModule.MatchString(from) {
				t.Errorf("web/rules/%s imports %q: the rules reach nothing but each other", name, from)
			}
		}
		code := withoutStrings(withoutComments(string(text)))
		if dynamicImport.MatchString(code) {
			t.Errorf("web/rules/%s loads a module as it runs: what the rules need is there before they start", name)
		}
		if awaits.MatchString(code) {
			t.Errorf("web/rules/%s waits for something: the rules never wait", name)
		}
		for _, word := range identifier.FindAllString(code, -1) {
			if reason, is := impureNames[word]; is {
				t.Errorf("web/rules/%s mentions %s: %s", name, word, reason)
			}
		}
	}
}

var (
	commentOrString = regexp.MustCompile("(?s)/\\*.*?\\*/|//[^\n]*|'(?:\\\\.|[^'\\\\\n])*'|\"(?:\\\\.|[^\"\\\\\n])*\"")
	plainString     = regexp.MustCompile("'(?:\\\\.|[^'\\\\\n])*'|\"(?:\\\\.|[^\"\\\\\n])*\"")
)

// withoutComments leaves JavaScript code with its strings. Template strings stay too: they can hold code.
func withoutComments(code string) string {
	return commentOrString.ReplaceAllStringFunc(code, func(found string) string {
		if strings.HasPrefix(found, "/") {
			return " "
		}
		return found
	})
}

func withoutStrings(code string) string { return plainString.ReplaceAllString(code, "''") }

// Ensures that the checks of the JavaScript rules find what they forbid, and nothing in comments or strings.
func TestJavaScriptCheckFindsWhatItForbids(t *testing.T) {
	code := "// the OK window\nimport { a } from './event.js'; /* Date */\nconst s = \"document // no comment\";\nDate.now();\n"
	bare := withoutStrings(withoutComments(code))
	require.Equal(t, []string{"import", "a", "from", "const", "s", "Date", "now"}, identifier.FindAllString(bare, -1))
	require.Equal(t, "./event.js", staticImport.FindStringSubmatch(withoutComments(code))[1])
	require.Equal(t, "node:fs", staticImport.FindStringSubmatch("import {\n  read,\n} from 'node:fs';")[1])
	require.False(t, siblingModule.MatchString("../app/guards.js"))
}
