package e2e

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// logOpenings is how often a page and its log are opened for one figure.
const logOpenings = 9

// marksWhenUsable has every page of a browser note when its first view stands,
// in ms since it was asked for.
const marksWhenUsable = `(() => {
	const look = () => {
		if (globalThis.buddyclock && document.querySelector('#view main')) globalThis.usableAt = performance.now();
		else requestAnimationFrame(look);
	};
	requestAnimationFrame(look);
})()`

// painted is an expression: how many ms after a press on the word or key that
// says these words a condition holds, and a frame with it is on the screen.
func painted(words, condition string) string {
	return fmt.Sprintf(`new Promise((done) => {
		const key = [...document.querySelectorAll('#view button')].find((b) => (b.getAttribute('aria-label') ?? b.innerText).trim() === '%s');
		const from = performance.now();
		key.click();
		const look = () => requestAnimationFrame(() => {
			if (%s) setTimeout(() => done(performance.now() - from));
			else look();
		});
		look();
	})`, words, condition)
}

const (
	// firstRows is true once every row of the log in sight has its tape.
	firstRows = `(() => {
		const rows = [...document.querySelectorAll('.log-row')].filter((r) => r.getBoundingClientRect().top < innerHeight);
		return rows.length > 3 && rows.every((r) => r.querySelector('.tape-strip path'));
	})()`
	allTrends = `document.querySelectorAll('.trend-chart').length === 5`
)

// BenchmarkOpenLog compares a phone with 5,000 holds to one with 50, all taken
// in by the page's own import: opening the page, its log, and the trends, right
// after the page has opened and once it has read everything. Each ratio is to
// be at most 2.
func BenchmarkOpenLog(b *testing.B) {
	server := startProgram(b, "", "")
	few, many := phoneWithHolds(b, server, 50), phoneWithHolds(b, server, 5000)
	for b.Loop() {
		found := map[string][]float64{}
		for range logOpenings {
			for name, p := range map[string]*phone{"50": few, "5000": many} {
				for what, ms := range p.opensLog(b) {
					found[what+" "+name] = append(found[what+" "+name], ms)
				}
			}
		}
		for _, what := range []string{"page", "log", "trends", "log-read", "trends-read"} {
			middle := func(name string) float64 {
				took := found[what+" "+name]
				slices.Sort(took)
				return took[len(took)/2]
			}
			b.ReportMetric(middle("50"), what+"-50-ms")
			b.ReportMetric(middle("5000"), what+"-5000-ms")
			b.ReportMetric(middle("5000")/middle("50"), what+"-ratio")
		}
	}
}

// opensLog loads the page anew and opens log and trends, twice: at once, and
// when all lines are read. All in ms.
func (p *phone) opensLog(t testing.TB) map[string]float64 {
	t.Helper()
	p.run(t, chromedp.Navigate("about:blank"))
	p.run(t, chromedp.Navigate(p.home))
	p.waitFor(t, "globalThis.usableAt")
	took := map[string]float64{"page": eval[float64](t, p.browser, "usableAt")}
	for _, when := range []string{"", "-read"} {
		if when != "" {
			p.waitFor(t, "buddyclock.log.whole()")
			p.show(t, "plan", "{}", "document.querySelector('.plan')")
		}
		took["log"+when] = eval[float64](t, p.browser, painted("open the log", firstRows))
		took["trends"+when] = eval[float64](t, p.browser, painted("trends", allTrends))
	}
	return took
}

// phoneWithHolds is a phone that has taken in so many invented holds.
func phoneWithHolds(t testing.TB, server *program, holds int) *phone {
	t.Helper()
	p := newPhone(t, "", 390, 844, browserSetup{limit: benchLimit})
	p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(marksWhenUsable).Do(ctx)
		return err
	}))
	p.home = "http://" + server.addr + "/"
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	p.takeIn(t, inventedOutings(holds/2, 2, time.Now()), "0 refused")
	p.waitFor(t, fmt.Sprintf("buddyclock.log.whole() && buddyclock.log.lines().length === %d", holds))
	p.waitFor(t, digestKept)
	return p
}

// digestKept is an expression: whether the page has put down what is said over
// its log.
const digestKept = `new Promise((done, fail) => {
	const opening = indexedDB.open('buddyclock');
	opening.onerror = fail;
	opening.onsuccess = () => {
		const head = opening.result.transaction('digest').objectStore('digest').get('head');
		head.onsuccess = () => { opening.result.close(); done(head.result !== undefined); };
	};
})`

// BenchmarkImportLog compares taking in 5,000 holds with taking in 1,000: the
// time a hold takes is to be the same.
func BenchmarkImportLog(b *testing.B) {
	server := startProgram(b, "", "")
	for b.Loop() {
		took := map[int]float64{}
		for _, holds := range []int{1000, 5000} {
			p := newPhone(b, "", 390, 844, browserSetup{limit: benchLimit})
			p.open(b, server.joinURL)
			eval[bool](b, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
			file := inventedOutings(holds/2, 2, time.Now())
			began := time.Now()
			p.takeIn(b, file, "0 refused")
			p.waitFor(b, fmt.Sprintf("buddyclock.log.whole() && buddyclock.log.lines().length === %d", holds))
			took[holds] = time.Since(began).Seconds()
			b.ReportMetric(took[holds], fmt.Sprintf("%d-s", holds))
		}
		b.ReportMetric(took[5000]/5/took[1000], "a-hold-5000/1000")
	}
}

// holdsOnDisk is an expression: how many events each hold of the page's store has.
const holdsOnDisk = `new Promise((done, fail) => {
	const opening = indexedDB.open('buddyclock');
	opening.onerror = fail;
	opening.onsuccess = () => {
		const all = opening.result.transaction('events').objectStore('events').getAll();
		all.onsuccess = () => {
			opening.result.close();
			const found = {};
			for (const r of all.result) found[r.event.hold] = (found[r.event.hold] ?? 0) + 1;
			done(found);
		};
	};
})`

// A file shows how far it has been read, can be stopped, leaves whole holds
// only, and the same file brings the rest.
func TestImportIsStoppedAndGoesOn(t *testing.T) {
	t.Parallel()
	server := startProgram(t, "", "")
	p := newPhone(t, "stop", 390, 844, browserSetup{limit: 2 * time.Minute})
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	file := inventedOutings(60, 4, time.Now())
	path := filepath.Join(t.TempDir(), "log.jsonl")
	require.NoError(t, os.WriteFile(path, file, 0o600))
	p.show(t, "files", "{}", "document.querySelector('input[type=file]')")
	// A finger stops it the first time that the meter tells of a tenth: no timer, which a busy page lets wait.
	eval[bool](t, p.browser, `(() => {
		const meter = document.querySelector('progress');
		const look = new MutationObserver(() => {
			if (meter.hidden || meter.value < 0.1) return;
			look.disconnect();
			globalThis.stoppedAt = meter.value;
			[...document.querySelectorAll('button')].find((b) => b.innerText.toLowerCase() === 'stop').click();
		});
		look.observe(meter, { attributes: true });
		return true;
	})()`)
	p.run(t, chromedp.SetUploadFiles("input[type=file]", []string{path}, chromedp.ByQuery))
	p.says(t, "; stopped")
	require.Less(t, eval[float64](t, p.browser, "stoppedAt"), 0.9)
	p.waitFor(t, "document.querySelector('progress').hidden && buddyclock.log.whole()")
	p.picture(t, "stopped")
	first := eval[map[string]int](t, p.browser, holdsOnDisk)
	require.NotEmpty(t, first)
	require.Less(t, len(first), 240)
	require.Equal(t, len(first), eval[int](t, p.browser, "buddyclock.log.lines().length"))

	p.run(t, chromedp.SetUploadFiles("input[type=file]", []string{path}, chromedp.ByQuery))
	p.says(t, "0 refused")
	p.waitFor(t, "buddyclock.log.whole() && buddyclock.log.lines().length === 240")
	all := eval[map[string]int](t, p.browser, holdsOnDisk)
	require.Len(t, all, 240)
	for hold, events := range first {
		require.Equal(t, all[hold], events, "a hold that was begun before the stop was whole")
	}
}
