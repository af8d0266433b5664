// Package e2e drives the page in a real Chromium, by touch, and looks at what
// it shows and listens to what it sounds.
package e2e

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// browser is one running Chromium with a profile of its own.
type browser struct {
	ctx context.Context
}

// browserSetup says how a Chromium differs from the usual one.
type browserSetup struct {
	limit time.Duration // the whole test is over by then; one minute if zero
	env   []string      // added to its environment, as KEY=value
	flags map[string]any
}

// chromiumNames are tried in turn. Without any of them the tests of this
// package fail: a page that nobody opened has not been tested.
var chromiumNames = []string{"chromium", "chromium-browser", "google-chrome"}

// startBrowser starts a headless Chromium that ends with the test. The flags
// that drivers usually set are left out on purpose: muted sound, unthrottled
// timers and free autoplay would test a browser that nobody has.
func startBrowser(t testing.TB, setup browserSetup) *browser {
	t.Helper()
	if setup.limit == 0 {
		setup.limit = time.Minute
	}
	path := ""
	for _, name := range chromiumNames {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	require.NotEmpty(t, path, "no Chromium found: install the package chromium; looked for %s", strings.Join(chromiumNames, ", "))

	options := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("headless", "new"),
		chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.NoFirstRun,
		chromedp.NoDefaultBrowserCheck,
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		// As on every phone: no sound before a touch. A headless browser is laxer than that.
		chromedp.Flag("autoplay-policy", "document-user-activation-required"),
		chromedp.Env(setup.env...),
	}
	for name, value := range setup.flags {
		options = append(options, chromedp.Flag(name, value))
	}
	limited, stop := context.WithTimeout(context.Background(), setup.limit)
	allocated, release := chromedp.NewExecAllocator(limited, options...)
	ctx, cancel := chromedp.NewContext(allocated)
	// Closing the browser before its profile is removed.
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx)
		cancel()
		release()
		stop()
	})
	require.NoError(t, chromedp.Run(ctx), "start %s", path)
	return &browser{ctx: ctx}
}

// newTab opens another tab of the same browser, so of the same device.
func (b *browser) newTab(t testing.TB) *browser {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Run(ctx), "open a tab")
	return &browser{ctx: ctx}
}

// failOnPageErrors makes every uncaught error and every error line of the
// console a failure of the test.
func (b *browser) failOnPageErrors(t testing.TB) {
	t.Helper()
	chromedp.ListenTarget(b.ctx, func(event any) {
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("uncaught in the page: %v", e.ExceptionDetails)
		case *log.EventEntryAdded:
			if e.Entry.Level == log.LevelError {
				t.Errorf("error in the console: %s (%s)", e.Entry.Text, e.Entry.URL)
			}
		}
	})
}

// run performs actions and fails the test where one of them fails.
func (b *browser) run(t testing.TB, actions ...chromedp.Action) {
	t.Helper()
	require.NoError(t, chromedp.Run(b.ctx, actions...))
}

// eval gives the value of an expression in the page; a promise is awaited.
func eval[T any](t testing.TB, b *browser, expression string) T {
	t.Helper()
	var value T
	err := chromedp.Run(b.ctx, chromedp.Evaluate(expression, &value, func(p *runtime.EvaluateParams) *runtime.EvaluateParams {
		return p.WithAwaitPromise(true)
	}))
	require.NoError(t, err, expression)
	return value
}

// waitFor waits until an expression in the page is true. The driver's own
// polling would count as a touch of the page, which this must not.
func (b *browser) waitFor(t testing.TB, expression string) {
	t.Helper()
	for !b.holds(t, expression) {
		select {
		case <-b.ctx.Done():
			require.FailNow(t, "the test's time is over before: "+expression)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// holds tells whether an expression is true. In a page that is just being left
// for another nothing is.
func (b *browser) holds(t testing.TB, expression string) bool {
	t.Helper()
	var value bool
	err := chromedp.Run(b.ctx, chromedp.Evaluate("!!("+expression+")", &value))
	if left := new(cdproto.Error); errors.As(err, &left) && left.Message == "Inspected target navigated or closed" {
		return false
	}
	require.NoError(t, err, expression)
	return value
}

// serveModules serves the page's own modules as they are, and the pages under
// testdata, with the policy that the server gives them. /slow answers only
// when the test sends to the channel: a page that asks for it synchronously
// hangs as long.
func serveModules(t testing.TB) (*httptest.Server, chan<- struct{}) {
	t.Helper()
	files := http.FileServer(http.Dir(".."))
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:")
		if r.URL.Path == "/slow" {
			select {
			case <-release:
			case <-r.Context().Done():
			}
			return
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	return server, release
}
