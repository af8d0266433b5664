package e2e

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// outing is a server with a pair of phones in a hold, each in a browser of its
// own and recorded on a side of its own.
type outing struct {
	server  *program
	witness *witness
	phones  []*loudPhone
}

// loudPhone is a phone that is listened to.
type loudPhone struct {
	*phone
	*ear
	link *proxy
}

// outingSetup says who is there.
type outingSetup struct {
	limit time.Duration
	roles []string // of the phones; one or two
	clock oddClock // of every phone
	wire  wire     // between every phone and the server, from the first byte
}

// newOuting joins the phones, proves their sound, and starts a hold.
func newOuting(t testing.TB, setup outingSetup) *outing {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), setup.limit)
	t.Cleanup(cancel)
	o := &outing{server: startProgram(t, "", "")}
	o.witness = newWitness(t, o.server, "new", "buddy")
	var ears []*ear
	if len(setup.roles) == 1 {
		ears = []*ear{listen(t, ctx)}
	} else {
		left, right := listenTwo(t, ctx)
		ears = []*ear{left, right}
	}
	for i, role := range setup.roles {
		target := o.server.addr
		if setup.clock != (oddClock{}) {
			target = serveOdd(t, target, setup.clock)
		}
		link := startProxy(t, target)
		link.set(setup.wire)
		p := &loudPhone{newPhoneWith(t, fmt.Sprintf("%s-%d", role, i+1), browserSetup{limit: setup.limit, env: ears[i].server}), ears[i], link}
		p.canMeasure(t, setup.clock)
		p.keepContexts(t)
		p.open(t, strings.Replace(o.server.joinURL, o.server.addr, link.addr, 1))
		eval[bool](t, p.browser, fmt.Sprintf(`buddyclock.access.join({ pair: '%s', role: '%s', name: '%s' }).then(() => true)`,
			o.witness.pair, role, []string{"Odo", "Bea"}[i]))
		p.waitFor(t, "buddyclock.frame().link.state === 'live' && buddyclock.clock().synced")
		p.arm(t)
		o.phones = append(o.phones, p)
	}
	return o
}

// newPhoneWith is newPhone for phones that lose their server on purpose: the
// browser itself writes every dial that fails into the console as an error.
func newPhoneWith(t testing.TB, name string, setup browserSetup) *phone {
	t.Helper()
	p := &phone{browser: startBrowser(t, setup), name: name}
	p.run(t, emulation.SetDeviceMetricsOverride(390, 844, 2, true), emulation.SetTouchEmulationEnabled(true).WithMaxTouchPoints(5))
	return p
}

// keepContexts lets a test reach the audio contexts that the page makes.
func (p *loudPhone) keepContexts(t testing.TB) {
	t.Helper()
	p.run(t, chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(`globalThis.contexts = [];
			globalThis.AudioContext = class extends AudioContext {
				constructor(...how) { super(...how); contexts.push(this); }
			};`).Do(ctx)
		return err
	}))
}

// arm touches the page and proves its sound, as the sound check does once a
// person has counted the beeps. A machine that starves the audio clock during
// the beeps makes it try again.
func (p *loudPhone) arm(t testing.TB) {
	t.Helper()
	p.fingerAt(t, 20, 400, "true")
	p.waitFor(t, "buddyclock.sound.state().running")
	for !eval[bool](t, p.browser, "buddyclock.sound.check(2).then(() => buddyclock.sound.proved(2), () => false)") {
	}
	p.waitFor(t, "buddyclock.frame().sound.state === 'proven'")
}

// hold starts a hold now and waits until every phone is in it. planned is in s.
func (o *outing) hold(t testing.TB, setting string, planned int) {
	t.Helper()
	first := o.phones[0]
	eval[string](t, first.browser, fmt.Sprintf(`buddyclock.newHold({ diver: 'Ansa', buddy: 'Odo', setting: '%s', planned_s: %d,
		end_by_s: 1200, cadence: 'standard', signal: 'squeeze', hears: [] })`, setting, planned))
	eval[string](t, first.browser, `buddyclock.record('start', null).then((e) => e.id)`)
	for _, p := range o.phones {
		p.phase(t, "hold")
	}
}

// does records an event as a press would, and waits until every phone that is
// linked knows it. It gives its shared time.
func (o *outing) does(t testing.TB, p *loudPhone, kind, data string) float64 {
	t.Helper()
	at := eval[float64](t, p.browser, fmt.Sprintf(`buddyclock.record('%s', %s).then((e) => e.at)`, kind, data))
	for _, other := range o.phones {
		other.waitFor(t, fmt.Sprintf(`buddyclock.frame().hold.events.some((e) => e.kind === '%s' && e.at === %.0f)`, kind, at))
	}
	return at
}

// due gives the shared time at which a rung comes, or came, if nothing happens.
func (p *loudPhone) due(t testing.TB, rung string) float64 {
	t.Helper()
	return eval[float64](t, p.browser, fmt.Sprintf(`(() => {
		const s = buddyclock.frame().status;
		const all = [s.ladder, s.bring_up, ...s.next_abs].filter((r) => r?.rung === '%s');
		return all.length > 0 ? Math.min(...all.map((r) => r.at)) : 0;
	})()`, rung))
}

// freeze stops the page as a phone does that saves power.
func (p *loudPhone) freeze(t testing.TB) {
	t.Helper()
	p.run(t, page.SetWebLifecycleState(page.SetWebLifecycleStateStateFrozen))
}

// thaw lets it go on, seen by a person again. A page that was frozen stays
// hidden until another has been in front.
func (p *loudPhone) thaw(t testing.TB) {
	t.Helper()
	p.run(t, page.SetWebLifecycleState(page.SetWebLifecycleStateStateActive))
	ctx, done := chromedp.NewContext(p.ctx)
	defer done()
	require.NoError(t, chromedp.Run(ctx, page.BringToFront()))
	p.run(t, page.BringToFront())
}

// still stops the phone's audio device, or lets it go on.
func (p *loudPhone) still(t testing.TB, yes bool) {
	t.Helper()
	state := map[bool]string{true: "1", false: "0"}[yes]
	require.NoError(t, p.room.control(p.ctx, "suspend-sink", p.channel, state))
}

// takes is an expression: this phone sounds every rung now.
const takes = "buddyclock.frame().voice.takes === true"

// heardAt gives when the first pulse at or after an instant was heard, waiting
// for it until the limit; zero where there was none.
func (p *loudPhone) heardAt(t testing.TB, from, limit time.Time) time.Time {
	t.Helper()
	for {
		found := p.pulsesSince(from)
		if len(found) > 0 {
			return found[0]
		}
		if time.Now().After(limit) {
			return time.Time{}
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// pulsesSince gives when each pulse from an instant on began to rise.
func (p *loudPhone) pulsesSince(from time.Time) []time.Time {
	first := p.sampleAt(from.Add(-100 * time.Millisecond))
	var at []time.Time
	for _, pulse := range pulsesIn(p.since(first), 0.02) {
		// Half height is reached half a rise after the start.
		began := p.at(first + pulse.first - samples(longRiseMs/2))
		if !began.Before(from) {
			at = append(at, began)
		}
	}
	return at
}

// sampleAt gives the index of the sample that was played at an instant.
func (e *ear) sampleAt(at time.Time) int {
	low, high := 0, e.len()
	for low < high {
		middle := (low + high) / 2
		if e.at(middle).Before(at) {
			low = middle + 1
		} else {
			high = middle
		}
	}
	return low
}
