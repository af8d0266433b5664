package e2e

import (
	"context"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The browser itself finds nothing wrong with the manifest, and nothing that
// keeps the page from being installed.
func TestBrowserWouldInstallThePage(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	p := lonelyPhone(t)
	p.open(t, "http://"+server.addr+"/")
	p.waitFor(t, pageKept)
	p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
		url, problems, text, _, err := page.GetAppManifest().Do(ctx)
		require.NoError(t, err)
		assert.Contains(t, url, "/manifest.webmanifest")
		assert.Contains(t, text, `"Buddyclock"`)
		assert.Empty(t, problems)
		against, err := page.GetInstallabilityErrors().Do(ctx)
		require.NoError(t, err)
		for _, one := range against {
			assert.Fail(t, "not installable", "%s %v", one.ErrorID, one.ErrorArguments)
		}
		return nil
	}))
}
