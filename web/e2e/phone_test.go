package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// phone is a browser held like a phone: small, touched with a finger.
type phone struct {
	*browser
	name  string
	home  string // the page's address without a link to join, where a test needs it
	shots int
}

// newPhone starts a browser with a phone's screen.
func newPhone(t testing.TB, name string, width, height int64, setup browserSetup) *phone {
	t.Helper()
	p := &phone{browser: startBrowser(t, setup), name: name}
	p.failOnPageErrors(t)
	p.run(t, emulation.SetDeviceMetricsOverride(width, height, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	return p
}

// open goes to a link and waits until the page has drawn a view.
func (p *phone) open(t testing.TB, url string) {
	t.Helper()
	p.run(t, chromedp.Navigate(url))
	p.waitFor(t, "globalThis.buddyclock && document.querySelector('#view .page, #view main')")
}

// visible is an expression for the topmost shown element that can be pressed
// and whose words begin with some words, whatever the case.
func visible(words string) string {
	return fmt.Sprintf(`(() => {
		const want = %s.toLowerCase();
		const said = (n) => ((n.getAttribute('aria-label') ?? '') + '\n' + n.innerText).toLowerCase().replace(/\s+/g, ' ');
		return [...document.querySelectorAll('button, [role=button], a[href], label, input, select, summary')].find((n) => {
			if (!said(n).trim().includes(want) || n.disabled) return false;
			n.scrollIntoView({ block: 'nearest', behavior: 'instant' });
			const r = n.getBoundingClientRect();
			const hit = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);
			return r.width > 0 && r.height > 0 && hit !== null && n.contains(hit);
		}) ?? null;
	})()`, strconv.Quote(words))
}

// finger puts a finger down on what says some words, keeps it there until a
// condition in the page holds, and lifts it.
func (p *phone) finger(t testing.TB, words, until string) {
	t.Helper()
	p.waitFor(t, visible(words))
	at := eval[[]float64](t, p.browser, `(() => { const r = (`+visible(words)+`).getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`)
	p.fingerAt(t, at[0], at[1], until)
}

// patience is how long a person keeps the finger down before pressing anew: a
// press that begins right after the surface changed its meaning does not count.
const patience = 1500 * time.Millisecond

// lifted is how long the finger then stays up: a contact that comes back sooner
// is a trembling finger, not a press.
const lifted = 300 * time.Millisecond

// fingerAt is finger at a place of the screen.
func (p *phone) fingerAt(t testing.TB, x, y float64, until string) {
	t.Helper()
	for done := false; !done; {
		p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: x, Y: y}}))
		done = p.soon(t, until, patience)
		p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
		time.Sleep(lifted)
	}
}

// soon waits for a condition in the page, but no longer than a while.
func (p *phone) soon(t testing.TB, expression string, while time.Duration) bool {
	t.Helper()
	for end := time.Now().Add(while); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if p.holds(t, expression) {
			return true
		}
	}
	return false
}

// tap touches what says some words and lifts the finger at once.
func (p *phone) tap(t testing.TB, words string) {
	t.Helper()
	p.finger(t, words, "true")
}

// recorded is an expression: how many events of a kind the current hold has.
func recorded(kind string) string {
	return fmt.Sprintf(`(buddyclock.frame().hold?.events ?? []).filter((e) => e.kind === '%s').length`, kind)
}

// record presses what says some words until one more event of a kind is there.
func (p *phone) record(t testing.TB, words, kind string) {
	t.Helper()
	before := eval[int](t, p.browser, recorded(kind))
	p.finger(t, words, fmt.Sprintf("%s > %d", recorded(kind), before))
}

// says waits until the page shows some words, whatever the case.
func (p *phone) says(t testing.TB, words string) {
	t.Helper()
	p.waitFor(t, fmt.Sprintf(`document.body.innerText.toLowerCase().replace(/\s+/g, ' ').includes(%s.toLowerCase())`, strconv.Quote(words)))
}

// fill types into the field with a label or placeholder.
func (p *phone) fill(t testing.TB, label, text string) {
	t.Helper()
	field := fmt.Sprintf(`[...document.querySelectorAll('input, textarea')].find((n) => n.offsetParent !== null && ((n.getAttribute('aria-label') ?? '') + (n.labels?.[0]?.innerText ?? '') + ' ' + n.name + ' ' + n.placeholder).toLowerCase().includes(%s))`, strconv.Quote(label))
	p.waitFor(t, field)
	eval[bool](t, p.browser, `(() => { const n = `+field+`; n.focus(); n.value = `+strconv.Quote(text)+`; n.dispatchEvent(new Event('input', {bubbles: true})); n.dispatchEvent(new Event('change', {bubbles: true})); n.blur(); return true; })()`)
}

// phase waits for a phase of the hold.
func (p *phone) phase(t testing.TB, phase string) {
	t.Helper()
	p.waitFor(t, fmt.Sprintf("buddyclock.frame().status?.phase === '%s'", phase))
}

// picture keeps a screenshot in the folder named by BUDDYCLOCK_PICTURES, so
// that a person can look at each step; without it, it only checks that nothing
// hangs over the edge of the screen.
func (p *phone) picture(t testing.TB, step string) {
	t.Helper()
	require.True(t, eval[bool](t, p.browser, "document.documentElement.scrollWidth <= innerWidth"), "%s: wider than the screen", step)
	dir := os.Getenv("BUDDYCLOCK_PICTURES")
	if dir == "" {
		return
	}
	var png []byte
	p.run(t, chromedp.CaptureScreenshot(&png))
	p.shots++
	name := fmt.Sprintf("%s-%02d-%s.png", p.name, p.shots, step)
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), png, 0o600))
}

// holdLimit bounds a test that lives through a whole hold and its watch.
const holdLimit = 6 * time.Minute
