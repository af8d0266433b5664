package e2e

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// allCuts cuts the link for every length in every phase and prints a table:
//
//	go test ./web/e2e -run H05LinkCut -cuts -parallel 10 -timeout 30m -v
var allCuts = flag.Bool("cuts", false, "cut the link for 1 to 120 s in every phase, and print what came of it; takes about eight minutes")

// What is demanded of a cut link.
const (
	sayNotLiveMs = 4000
	deliveredMs  = 5000
	rungLateMs   = 50
	stoodStillMs = 400 // a page that stood still for longer cannot be measured by
)

// place is a phase of a hold as the buddy's phone brings it about: what was
// recorded how many ms ago, the last of it right before the cut, so that a rung
// comes 2.5 s later.
type place struct {
	name   string
	before string // [kind, ms ago, data]
	last   string
	then   string // what a person presses 1 s after the cut
	phase  string
	lost   float64 // share of pieces that the wire loses in place of a cut
	always bool    // tried without -cuts too
}

const easyHold = `['start', 60000], ['look', 28500]`

var places = []place{
	{name: "breathe-up", phase: "breathe-up", last: `['breathe-up', 0, { zero_at: t + 2000 }]`, then: `['start']`, always: true},
	{name: "easy", phase: "hold", before: `['start', 60000]`, last: `['look', 27500]`, then: `['contraction', { site: 'belly' }]`},
	{name: "struggle", phase: "hold", before: `['start', 130000]`, last: `['answered', 27500]`, then: `['contraction', { site: 'belly' }]`},
	{name: "late", phase: "hold", before: `['start', 190000]`, last: `['answered', 11000]`, then: `['contraction', { site: 'chest' }]`},
	{name: "final", phase: "hold", before: `['start', 245000]`, last: `['answered', 3500]`, then: `['contraction', { site: 'chest' }]`, always: true},
	{name: "recovery", phase: "recovery", before: easyHold, last: `['surfaced', 5000]`, then: `['sign', { what: 'blue' }]`, always: true},
	{name: "watch", phase: "watch", before: easyHold + `, ['surfaced', 12500], ['ok', 8000]`, last: `['look', 3000]`, then: `['sign', { what: 'blue' }]`},
	{name: "incident", phase: "incident", before: easyHold, last: `['incident', 0, { what: 'lmc' }]`, then: `['recovered']`, always: true},
	{name: "half lost", phase: "hold", before: `['start', 245000]`, last: `['answered', 3500]`, then: `['contraction', { site: 'chest' }]`, lost: 0.5, always: true},
}

// cutResult is what came of one cut.
type cutResult struct {
	rungs             int
	latestMs          int64 // of a rung on the buddy's phone that the cut saw
	ownMs, otherMs    int64 // from the cut until each end said "not live", 0 where it did not have to
	deliveredMs       int64 // from healing until every phone had every event
	pauseMs           int64 // the longest pause of a page that the machine starved
	starved           bool  // a page or its sound stood still for long
	unheard, notEqual string
}

// The link of the buddy's phone is cut without a word in every phase, and loses
// half of what it carries: rungs come on time, both ends say "not live", and
// once it is healed every event is delivered soon.
func TestH05LinkCutInEachPhase(t *testing.T) {
	chromium := startBrowser(t, browserSetup{limit: 25 * time.Minute})
	server := startProgram(t, "", "")
	var mu sync.Mutex
	results := map[string]map[int]cutResult{}
	lengths := []int{6}
	if *allCuts {
		lengths = []int{1, 3, 10, 30, 60, 120}
	}
	t.Run("phases", func(t *testing.T) {
		for _, where := range places {
			if !where.always && !*allCuts {
				continue
			}
			t.Run(where.name, func(t *testing.T) {
				t.Parallel() // it mostly waits
				c := newCutPair(t, chromium, server)
				for _, seconds := range lengths {
					r := c.cut(t, where, time.Duration(seconds)*time.Second)
					mu.Lock()
					if results[where.name] == nil {
						results[where.name] = map[int]cutResult{}
					}
					results[where.name][seconds] = r
					mu.Unlock()
					if where.lost == 0 && seconds > sayNotLiveMs/1000 {
						assert.Positive(t, r.ownMs, "this phone never said that it is not live")
						assert.Positive(t, r.otherMs, "the other phone never said that this one is not live")
					}
					if where.lost == 0 {
						assert.LessOrEqual(t, r.ownMs, sayNotLiveMs+r.pauseMs, "this phone said late that it is not live (ms)")
						assert.LessOrEqual(t, r.otherMs, sayNotLiveMs+r.pauseMs, "the other phone said it late (ms)")
					}
					assert.LessOrEqual(t, r.deliveredMs, deliveredMs+r.pauseMs, "delivered late (ms)")
					if r.starved {
						t.Logf("the machine starved the sound, and the page said so; latest rung %d ms, not sounded: %s", r.latestMs, r.unheard)
					} else {
						assert.LessOrEqual(t, r.latestMs, int64(rungLateMs), "a rung came late (ms)")
						assert.Empty(t, r.unheard, "rungs that were not sounded")
					}
					assert.Empty(t, r.notEqual, "the two phones do not end with one state")
				}
			})
		}
	})
	printCuts(results, lengths)
}

func printCuts(results map[string]map[int]cutResult, lengths []int) {
	out := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	defer out.Flush()
	load, _ := os.ReadFile("/proc/loadavg")
	fmt.Fprintf(out, "cut of the buddy's link; load of the machine %s", load)
	fmt.Fprintln(out, "phase\tcut s\trungs\tlatest ms\tthis end not live s\tother end not live s\tdelivered s\tlongest pause of a page ms\t")
	for _, where := range places {
		for _, seconds := range lengths {
			r, there := results[where.name][seconds]
			if !there {
				continue
			}
			fmt.Fprintf(out, "%s\t%d\t%d\t%d\t%s\t%s\t%.1f\t%d\t\n", where.name, seconds, r.rungs, r.latestMs, inSeconds(r.ownMs), inSeconds(r.otherMs), float64(r.deliveredMs)/1000, r.pauseMs)
		}
	}
}

func inSeconds(ms int64) string {
	if ms == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", float64(ms)/1000)
}

// cutPair is a pair of phones, each with a wire of its own, in windows of one browser.
type cutPair struct {
	buddy, diver *phone
	link         *proxy
	holds        int
}

func newCutPair(t testing.TB, chromium *browser, server *program) *cutPair {
	t.Helper()
	c := &cutPair{link: startProxy(t, server.addr)}
	for i, p := range []**phone{&c.buddy, &c.diver} {
		*p = &phone{browser: chromium.newPerson(t), name: "cut"}
		(*p).run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
		addr := []string{c.link.addr, startProxy(t, server.addr).addr}[i]
		(*p).open(t, strings.Replace(server.joinURL, server.addr, addr, 1))
	}
	c.joins(t, c.buddy, "new", "buddy", "Odo")
	c.buddy.hears(t)
	c.diver.hears(t)
	return c
}

// newPerson opens a window that shares nothing with the others of the browser.
func (b *browser) newPerson(t testing.TB) *browser {
	t.Helper()
	whole := cdp.WithExecutor(b.ctx, chromedp.FromContext(b.ctx).Browser)
	profile, err := target.CreateBrowserContext().Do(whole)
	require.NoError(t, err)
	window, err := target.CreateTarget("about:blank").WithBrowserContextID(profile).WithNewWindow(true).Do(whole)
	require.NoError(t, err)
	ctx, cancel := chromedp.NewContext(b.ctx, chromedp.WithTargetID(window))
	t.Cleanup(cancel)
	require.NoError(t, chromedp.Run(ctx), "open a window")
	return &browser{ctx: ctx}
}

func (*cutPair) joins(t testing.TB, p *phone, pair, role, name string) {
	t.Helper()
	eval[bool](t, p.browser, fmt.Sprintf(`buddyclock.access.join({ pair: '%s', role: '%s', name: '%s' }).then(() => true)`, pair, role, name))
	p.mustSoon(t, "buddyclock.frame().link.state === 'live' && buddyclock.clock().synced")
}

// mustSoon waits for a condition in the page, and tells how the page stands
// where it does not come about.
func (p *phone) mustSoon(t testing.TB, expression string) {
	t.Helper()
	if p.soon(t, expression, time.Minute) {
		return
	}
	require.Fail(t, expression, eval[string](t, p.browser, `(() => {
		const { link, sound, status, clock, me, refused, store, second_tab, ended } = buddyclock.frame();
		return JSON.stringify({ link, sound, phase: status?.phase, standing: status?.standing, clock, me, refused, store, second_tab, ended, seen: document.visibilityState, lines: buddyclock.log.lines().map((l) => l.over).join(' '), noted: globalThis.noted, wanted: globalThis.wanted });
	})()`))
}

// looksOn has a page note, in wall ms, when it first says that a phone is not
// live, when nothing of its own is undelivered, and when it has what is wanted;
// and lets a person answer a standing rung, though never at once.
const looksOn = `(() => {
	clearInterval(globalThis.looking);
	globalThis.noted = { own: 0, other: 0, got: 0, pause: 0, fault: false };
	globalThis.wanted = null;
	let answering = false;
	let agains = 0;
	let last = Date.now();
	globalThis.looking = setInterval(() => {
		const f = buddyclock.frame();
		const said = document.getElementById('view').innerText;
		const now = Date.now();
		if (f.sound.state !== 'proven') noted.fault = true;
		noted.pause = Math.max(noted.pause, now - last - 100);
		last = now;
		if (!noted.own && f.link.state === 'not-live' && /(^|[^:] )not live/m.test(said)) noted.own = now;
		if (!noted.other && said.includes('Odo’s phone: not live')) noted.other = now;
		if (wanted && !noted.got && f.link.unsent === 0 && wanted.every((id) => f.hold.byId.has(id))) noted.got = now;
		const s = f.status;
		if (f.me.role !== 'buddy' || answering || !s?.standing || !(s.phase === 'hold' || s.phase === 'watch')) return;
		if (s.standing.rung === 'prompt' || (s.standing.rung === 'again' && agains++ % 2)) return;
		answering = true;
		setTimeout(() => {
			answering = false;
			buddyclock.record(s.phase === 'hold' ? 'answered' : 'look', null);
		}, 1500);
	}, 100);
	return true;
})()`

const ownIDs = "buddyclock.frame().hold.events.filter((e) => e.id.startsWith(buddyclock.frame().me.device + '-')).map((e) => e.id)"

// cut brings a new pair to a place in a hold, cuts its buddy's link for a while,
// and tells what came of it.
func (c *cutPair) cut(t testing.TB, where place, length time.Duration) cutResult {
	t.Helper()
	c.holds++
	if c.holds > 1 {
		c.joins(t, c.buddy, "new", "buddy", "Odo")
	}
	c.joins(t, c.diver, eval[string](t, c.buddy.browser, "buddyclock.frame().pair.pair"), "diver", "Ansa")
	for _, p := range []*phone{c.buddy, c.diver} {
		p.mustSoon(t, soundIs("proven"))
	}
	c.buddy.plannedBefore(t, fmt.Sprintf(`{ diver: 'Ansa %d', buddy: 'Odo', setting: 'dry', planned_s: 240, end_by_s: 1200, watch_s: 300, cadence: 'standard',
		signal: 'squeeze', hears: [] }`, c.holds))
	record := func(steps string) {
		eval[bool](t, c.buddy.browser, `(async () => {
			const t = buddyclock.now();
			for (const [kind, ago, data] of [`+steps+`]) await buddyclock.record(kind, data ?? null, { at: t - ago });
			return true;
		})()`)
	}
	record(where.before)
	for _, p := range []*phone{c.buddy, c.diver} {
		p.mustSoon(t, "buddyclock.frame().status !== null")
		eval[bool](t, p.browser, looksOn)
	}
	record(where.last)
	for _, p := range []*phone{c.buddy, c.diver} {
		p.mustSoon(t, fmt.Sprintf("buddyclock.frame().status?.phase === '%s'", where.phase))
		p.hush(t)
	}

	cutAt := time.Now()
	if where.lost > 0 {
		c.link.set(wireOf(5*time.Millisecond, 0, where.lost))
	} else {
		c.link.die()
	}
	time.Sleep(min(time.Second, length/2))
	eval[bool](t, c.buddy.browser, `((kind, data = null) => buddyclock.record(kind, data).then(() => true))(...`+where.then+`)`)
	time.Sleep(time.Until(cutAt.Add(length)))
	events := eval[[]any](t, c.buddy.browser, "buddyclock.frame().hold.events")
	made := map[*phone][]string{c.buddy: eval[[]string](t, c.buddy.browser, ownIDs), c.diver: eval[[]string](t, c.diver.browser, ownIDs)}
	for p, other := range map[*phone]*phone{c.buddy: c.diver, c.diver: c.buddy} {
		eval[bool](t, p.browser, fmt.Sprintf("(wanted = '%s'.split(' ').filter(Boolean), true)", strings.Join(made[other], " ")))
	}
	healedAt := time.Now()
	c.link.set(wire{})
	c.link.heal()

	r := cutResult{ownMs: sinceCut(eval[int64](t, c.buddy.browser, "noted.own"), cutAt), otherMs: sinceCut(eval[int64](t, c.diver.browser, "noted.other"), cutAt)}
	for _, p := range []*phone{c.buddy, c.diver} {
		p.mustSoon(t, "noted.got > 0")
		r.pauseMs = max(r.pauseMs, eval[int64](t, p.browser, "noted.pause"))
		r.deliveredMs = max(r.deliveredMs, eval[int64](t, p.browser, "noted.got")-healedAt.UnixMilli())
	}
	r.starved = r.pauseMs > stoodStillMs || eval[bool](t, c.buddy.browser, "noted.fault")
	// The page's shared time against this machine's.
	ahead := eval[int64](t, c.buddy.browser, "buddyclock.now() - Date.now()")
	r.rungs, r.latestMs, r.unheard = c.buddy.onTime(t, events, cutAt.UnixMilli()+ahead, healedAt.UnixMilli()+ahead)
	for _, p := range []*phone{c.buddy, c.diver} {
		eval[bool](t, p.browser, "(clearInterval(looking), true)")
		p.mustSoon(t, "buddyclock.frame().link.unsent === 0")
	}
	r.notEqual = c.differ(t)
	return r
}

// plannedBefore makes a plan that was agreed on five minutes ago, so that a start
// of a while ago follows it.
func (p *phone) plannedBefore(t testing.TB, plan string) {
	t.Helper()
	eval[bool](t, p.browser, `(async (plan) => {
		const hold = await buddyclock.newHold(plan);
		await buddyclock.record('plan', plan, { hold, at: buddyclock.now() - 300000 });
		return true;
	})(`+plan+`)`)
}

// hush is the press that lets go of an alarm which history no longer knows: a
// start of a minute ago is one, until it is told what came after it.
func (p *phone) hush(t testing.TB) {
	t.Helper()
	eval[bool](t, p.browser, "(buddyclock.quiet(), true)")
}

// sinceCut is how long after the cut something happened, at least 1; 0 where it did not.
func sinceCut(wallMs int64, cutAt time.Time) int64 {
	if wallMs == 0 {
		return 0
	}
	return max(1, wallMs-cutAt.UnixMilli())
}

// differ says where the two phones do not have the same events and state.
func (c *cutPair) differ(t testing.TB) string {
	t.Helper()
	const seen = `(() => {
		const { status: s, hold } = buddyclock.frame();
		return hold.events.map((e) => e.id).join(' ') + ' ' + JSON.stringify([s.phase, s.boundaries, s.start_at, s.surfaced_at, s.ok_at, s.incident]);
	})()`
	one, other := "", ""
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		one, other = eval[string](t, c.buddy.browser, seen), eval[string](t, c.diver.browser, seen)
		if one == other {
			return ""
		}
	}
	return one + " != " + other
}
