package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/require"
)

// cutWords is an expression: what is written on the page and cannot be read
// whole, because it runs out of its box sideways or over another's edge.
const cutWords = `[...document.querySelectorAll('#view *')].filter((n) => {
	if (n.closest('svg, .sr-only, .spoken') || ![...n.childNodes].some((c) => c.nodeType === 3 && c.textContent.trim() !== '')) return false;
	const r = n.getBoundingClientRect();
	if (r.width === 0 || r.height === 0) return false;
	const range = document.createRange();
	range.selectNodeContents(n);
	const t = range.getBoundingClientRect();
	return t.right > innerWidth + 1 || t.left < -1 || (getComputedStyle(n).overflow === 'hidden' && t.right > r.right + 1);
}).map((n) => n.innerText.slice(0, 40))`

// The sheets of the log can be read whole on the smallest phone and on a laptop.
func TestSheetsOfTheLogFitEveryScreen(t *testing.T) {
	t.Parallel()
	p := withLog(t, "fit", 320, 568)
	last := "buddyclock.log.lines().at(-1).hold"
	views := []struct{ view, params, until string }{
		{"log", "{}", "document.querySelectorAll('.log-row .tape-strip path').length > 20"},
		{"trends", "{ diver: 'Ansa', setting: 'dry' }", "document.querySelectorAll('.trend-chart').length === 5"},
		{"debrief", "{ hold: " + last + " }", "document.querySelector('.debrief .charts svg')"},
		{"readings", "{ hold: " + last + " }", "document.querySelector('.readings .scrub .tape-strip')"},
		{"plan", "{}", "document.querySelector('.plan')"},
		{"series", "{}", "document.querySelectorAll('.notch').length === 11"},
		{"people", "{ name: 'Ansa' }", "document.querySelector('.profile')"},
		{"files", "{ diver: 'Ansa' }", "document.querySelector('.files')"},
		{"report", "{ diver: 'Ansa', setting: 'dry' }", "document.querySelector('.hold-report .tape-strip')"},
	}
	for _, size := range [][2]int64{{320, 568}, {1280, 800}} {
		p.run(t, emulation.SetDeviceMetricsOverride(size[0], size[1], 1, size[0] < 600))
		for _, v := range views {
			p.show(t, v.view, v.params, v.until)
			if v.view == "plan" {
				if size[0] < 600 { // later its draft is there
					p.tap(t, "Ansa, Odo watches")
				}
				p.says(t, "median of")
			}
			step := fmt.Sprintf("%s-%d", v.view, size[0])
			p.picture(t, step)
			if v.view != "report" || size[0] > 600 { // laid out for paper: on a phone it is pushed about
				require.Empty(t, eval[[]string](t, p.browser, cutWords), step)
			}
			for n := 1; n <= 6 && eval[bool](t, p.browser, fmt.Sprintf(`(() => {
				const page = document.querySelector('.page.scroll');
				const box = page.scrollHeight > page.clientHeight + 8 ? page : document.scrollingElement;
				const top = %d * (innerHeight - 80);
				if (top >= box.scrollHeight - 100) return false;
				box.scrollTop = top;
				return true;
			})()`, n)); n++ {
				p.picture(t, fmt.Sprintf("%s-%d", step, n))
			}
		}
	}
}
