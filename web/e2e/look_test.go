package e2e

import (
	"bytes"
	"encoding/json"
	"image"
	"image/png"
	"strconv"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// scene is one page of a hold at one instant.
type scene struct {
	View   string  `json:"view"`
	At     float64 `json:"at"`   // seconds since the start
	Calm   float64 `json:"calm"` // seconds up to which everything was looked at and answered
	Events []any   `json:"events"`
	Dry    bool    `json:"dry"`
	Night  bool    `json:"night"`
	Role   string  `json:"role,omitempty"`
}

func did(kind string, seconds float64, data ...any) any {
	return append([]any{kind, seconds}, data...)
}

// scenes are the faces that the pages of a hold can show.
var scenes = map[string]scene{
	"waits for a look":   {View: "live", At: 13},
	"look":               {View: "live", At: 31},
	"waits for a tap":    {View: "live", At: 197, Calm: 180},
	"tap":                {View: "live", At: 212, Calm: 180},
	"asked":              {View: "live", At: 212, Calm: 180, Dry: true, Events: []any{did("asked", 211)}},
	"tap again":          {View: "live", At: 217, Calm: 180},
	"not checked":        {View: "live", At: 240, Calm: 180},
	"ended in the alarm": {View: "live", At: 240, Calm: 180, Events: []any{did("end-hold", 237)}},
	"no answer, dry":     {View: "live", At: 197, Calm: 180, Dry: true, Events: []any{did("no-answer", 195)}},
	"agreed end":         {View: "live", At: 331, Events: []any{did("answered", 327)}},
	"OK sign":            {View: "recovery", At: 198, Calm: 180, Events: []any{did("surfaced", 190)}},
	"no OK sign":         {View: "recovery", At: 206, Calm: 180, Events: []any{did("surfaced", 190)}},
	"watch":              {View: "recovery", At: 230, Calm: 180, Events: []any{did("surfaced", 190), did("ok", 196), did("look", 205), did("look", 213), did("look", 221)}},
	"AWAKE?":             {View: "recovery", At: 241, Calm: 180, Events: []any{did("surfaced", 240)}},
	"trouble":            {View: "incident", At: 200, Calm: 180, Events: []any{did("incident", 190)}},
	"with them":          {View: "incident", At: 260, Calm: 180, Dry: true, Events: []any{did("incident", 190), did("with-them", 195)}},
	"diver":              {View: "diver", At: 197, Calm: 180, Dry: true, Role: "diver"},
	"diver asked":        {View: "diver", At: 212, Calm: 180, Dry: true, Role: "diver", Events: []any{did("asked", 211)}},
	"diver in the pool":  {View: "diver", At: 197, Calm: 180, Role: "diver"},
	"siren":              {View: "siren", At: 197, Calm: 180, Role: "siren"},
	"siren in the alarm": {View: "siren", At: 240, Calm: 180, Role: "siren"},
}

// showScenes opens the page that shows them.
func showScenes(t *testing.T) *browser {
	t.Helper()
	b := startBrowser(t, browserSetup{limit: 3 * time.Minute})
	b.failOnPageErrors(t)
	server, _ := serveModules(t)
	resize(t, b, 390, 844)
	b.run(t, chromedp.Navigate(server.URL+"/e2e/testdata/look.html"))
	b.waitFor(t, "globalThis.sceneReady")
	return b
}

func resize(t *testing.T, b *browser, width, height int64) {
	t.Helper()
	b.run(t, emulation.SetDeviceMetricsOverride(width, height, 1, true))
}

func (b *browser) show(t *testing.T, s scene) {
	t.Helper()
	if s.Events == nil {
		s.Events = []any{}
	}
	words, err := json.Marshal(s)
	require.NoError(t, err)
	eval[string](t, b, "show("+string(words)+")")
}

func (b *browser) picture(t testing.TB) image.Image {
	t.Helper()
	var shot []byte
	b.run(t, chromedp.CaptureScreenshot(&shot))
	img, err := png.Decode(bytes.NewReader(shot))
	require.NoError(t, err)
	return img
}

func bright(img image.Image, x, y int) bool {
	r, g, b, _ := img.At(x, y).RGBA()
	return r+g+b > 3*0x8000
}

// A screen in alarm may flash, but no more than twice in any second, all its
// parts together, and little of the screen; the words stand still.
func TestH18TheAlarmFlashesTwiceASecondAndTogether(t *testing.T) {
	b := showScenes(t)
	for name, parts := range map[string]map[string]image.Point{
		"not checked": {"frame": {X: 5, Y: 400}, "octagon": {X: 38, Y: 76}},
		"trouble":     {"frame": {X: 5, Y: 400}, "octagon": {X: 38, Y: 61}},
	} {
		t.Run(name, func(t *testing.T) {
			b.show(t, scenes[name])
			const step = 50 // ms
			seen := map[string][]bool{}
			var first image.Image
			most := 0
			for at := 0; at < 2000; at += step {
				require.Positive(t, eval[int](t, b, "freezeAt("+strconv.Itoa(at)+")"), "nothing is animated")
				img := b.picture(t)
				if first == nil {
					first = img
				}
				most = max(most, different(first, img))
				for part, p := range parts {
					seen[part] = append(seen[part], bright(img, p.X, p.Y))
				}
			}
			require.Equal(t, seen["frame"], seen["octagon"], "the parts are not in phase")
			window := 1000 / step
			for from := 0; from+window < len(seen["frame"]); from++ {
				changes := 0
				for i := from + 1; i <= from+window; i++ {
					if seen["frame"][i] != seen["frame"][i-1] {
						changes++
					}
				}
				require.LessOrEqual(t, changes, 4, "more than two flashes in the second from %d ms", from*step)
				require.Positive(t, changes, "it does not flash at all")
			}
			size := first.Bounds().Size()
			require.Less(t, float64(most)/float64(size.X*size.Y), 0.25, "too much of the screen flashes")
		})
	}
}

// different counts the pixels that have changed by more than an eighth.
func different(a, b image.Image) int {
	count := 0
	size := a.Bounds().Size()
	for y := range size.Y {
		for x := range size.X {
			r1, g1, b1, _ := a.At(x, y).RGBA()
			r2, g2, b2, _ := b.At(x, y).RGBA()
			if apart(r1, r2) || apart(g1, g2) || apart(b1, b2) {
				count++
			}
		}
	}
	return count
}

func apart(a, b uint32) bool {
	return max(a, b)-min(a, b) > 0x2000
}

// The second call is told from the first by its shape; its diamonds change
// more slowly than once a second.
func TestH18TheSecondCallChangesSlowerThanOnceASecond(t *testing.T) {
	b := showScenes(t)
	b.show(t, scenes["tap again"])
	require.Equal(t, "again", eval[string](t, b, "document.querySelector('.press-surface').dataset.tone"))
	require.Positive(t, eval[int](t, b, "document.getAnimations().length"))
	require.InDelta(t, 1000/0.6, eval[float64](t, b, "Math.min(...document.getAnimations().filter((a) => a.animationName).map((a) => a.effect.getTiming().duration))"), 1)
}

// Whoever has asked the system for less motion gets a steady screen.
func TestH18ReducedMotionIsSteady(t *testing.T) {
	b := showScenes(t)
	b.run(t, emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}))
	for _, name := range []string{"not checked", "trouble", "tap again", "siren in the alarm"} {
		b.show(t, scenes[name])
		require.Zero(t, eval[int](t, b, "document.getAnimations().length"), name)
	}
}

// What is written on the pages of a hold can be read in the sun, in a dim
// room, and by weak eyes: 7:1 (WCAG 2.1, success criterion 1.4.6, level AAA).
func TestTextHasSevenToOneContrast(t *testing.T) {
	t.Parallel()
	b := showScenes(t)
	type text struct {
		Words string  `json:"words"`
		Ratio float64 `json:"ratio"`
	}
	for name, s := range scenes {
		for _, night := range []bool{false, true} {
			s.Night = night
			b.show(t, s)
			texts := eval[[]text](t, b, "contrasts()")
			require.NotEmpty(t, texts, name)
			for _, found := range texts {
				require.GreaterOrEqual(t, found.Ratio, 7.0, "%s, night %v: %q", name, night, found.Words)
			}
		}
	}
}

// The press surface is the lower half, its corners lie far apart and are big
// enough for a wet thumb, and nothing is cut off, from the smallest screen to
// one turned sideways.
func TestPressSurfaceAndWordsFitEveryScreen(t *testing.T) {
	t.Parallel()
	b := showScenes(t)
	type box struct {
		Left   float64 `json:"left"`
		Top    float64 `json:"top"`
		Width  float64 `json:"width"`
		Height float64 `json:"height"`
	}
	for _, size := range [][2]int64{{320, 568}, {390, 664}, {390, 844}, {844, 390}} {
		resize(t, b, size[0], size[1])
		wide, high := float64(size[0]), float64(size[1])
		b.show(t, scenes["tap"])
		slab := eval[box](t, b, "boxOf('.press-surface')")
		require.InDelta(t, high/2, slab.Height, 1)
		require.InDelta(t, wide, slab.Width, 0.5)
		left, right := eval[box](t, b, "boxOf('.corner.left')"), eval[box](t, b, "boxOf('.corner.right')")
		// 56 px are 9 mm on the smallest phone.
		require.GreaterOrEqual(t, left.Height, 56.0)
		require.GreaterOrEqual(t, left.Width, 56.0)
		require.GreaterOrEqual(t, right.Left-(left.Left+left.Width), 190.0, "the corners are not far apart")
		b.show(t, scenes["not checked"])
		answered, up := eval[box](t, b, "boxOf('.alarm-key.outline:not(.trouble)')"), eval[box](t, b, "boxOf('.alarm-key.fill')")
		require.GreaterOrEqual(t, up.Left-(answered.Left+answered.Width), 20.0, "no room between the keys of the alarm")
		for name, s := range scenes {
			b.show(t, s)
			require.Empty(t, eval[[]string](t, b, "cutOff()"), "%s at %v", name, size)
		}
	}
}

// Asked to show the same facts again, a page touches nothing: it is asked to
// four times a second, and at every frame while something moves.
func TestShowingTheSameFactsAgainTouchesNothing(t *testing.T) {
	t.Parallel()
	b := showScenes(t)
	for name, s := range scenes {
		b.show(t, s)
		touched := eval[int](t, b, `(() => {
			const watch = new MutationObserver(() => {});
			watch.observe(document.querySelector('.page'), { subtree: true, childList: true, attributes: true, characterData: true });
			showAgain();
			return watch.takeRecords().length;
		})()`)
		require.Zero(t, touched, name)
	}
}
