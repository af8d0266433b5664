package e2e

import (
	"slices"
	"testing"

	"github.com/chromedp/cdproto/input"
)

// watchFrames makes the page note, for each touch of the slab, how long after
// the press counted the slab had changed and the next frame began, in ms; and
// for comparison how long such a change takes that nothing else depends on.
const watchFrames = `(() => {
	const slab = document.querySelector('.press-surface');
	globalThis.frameTimes = [];
	globalThis.floorTimes = [];
	let down = null;
	addEventListener('pointerdown', (e) => { down = e.timeStamp; }, { capture: true });
	new MutationObserver(() => {
		if (down === null) return;
		const counted = down + 120;
		if (performance.now() < counted) return;
		down = null;
		requestAnimationFrame(() => {
			frameTimes.push(performance.now() - counted);
			const begun = performance.now();
			slab.dataset.floor = String(begun);
			requestAnimationFrame(() => floorTimes.push(performance.now() - begun));
		});
	}).observe(slab, { attributes: true, attributeFilter: ['data-tone', 'aria-label'] });
	return true;
})()`

// BenchmarkPressToScreen measures how long after a press counted (120 ms after
// the finger came down) the frame that shows it begins, in frames of 60 Hz
// beside the time of a bare change of the page.
func BenchmarkPressToScreen(b *testing.B) {
	server := startProgram(b, "", "")
	p := newPhone(b, "frames", 390, 844, browserSetup{limit: holdLimit})
	p.open(b, server.joinURL)
	p.inHold(b, "dry")
	// From the first contraction on the slab takes taps and answers by turns.
	eval[string](b, p.browser, "buddyclock.record('contraction', {}).then((e) => e.id)")
	eval[bool](b, p.browser, watchFrames)
	for b.Loop() {
		p.run(b, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: slabX, Y: slabY}}))
		p.soon(b, "false", lifted)
		p.run(b, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
		p.soon(b, "false", patience)
	}
	shown, floor := eval[[]float64](b, p.browser, "frameTimes"), eval[[]float64](b, p.browser, "floorTimes")
	if len(shown) == 0 {
		b.Fatal("no press changed the slab")
	}
	slices.Sort(shown)
	slices.Sort(floor)
	const frameMs = 1000.0 / 60
	b.ReportMetric(shown[len(shown)/2]/frameMs, "frames-median")
	b.ReportMetric(shown[len(shown)*95/100]/frameMs, "frames-p95")
	b.ReportMetric(floor[len(floor)/2]/frameMs, "floor-frames-median")
	b.ReportMetric(0, "ns/op")
}
