package e2e

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// What the time really is: every process of a machine reads the same clock, so
// this one can tell how far a page's and the server's readings are apart, by
// exchanges of its own over loopback that no proxy delays.

// epoch is the beginning of this process's own count of ms.
var epoch = time.Now()

func ownMs(t time.Time) float64 { return float64(t.Sub(epoch).Nanoseconds()) / 1e6 }

// span is where a difference of two clocks lies, ms.
type span struct{ lo, hi float64 }

func (s span) middle() float64 { return (s.lo + s.hi) / 2 }
func (s span) half() float64   { return (s.hi - s.lo) / 2 }

// witness is a device of the pair that runs in this process: it knows the
// server's time, and can press for a second buddy.
type witness struct {
	mu      sync.Mutex // one writer at a time
	ws      *websocket.Conn
	heard   chan heardFrame
	server  *program
	pair    string
	device  string
	counter int
	shared  span // shared time minus own ms
}

// heardFrame is what the server sent, and when it was here.
type heardFrame struct {
	message map[string]any
	at      time.Time
}

// crockford are the signs of a device's id.
const crockford = "0123456789abcdefghjkmnpqrstvwxyz"

// newWitness joins a pair ("new" for a new one) and learns the server's time.
func newWitness(t testing.TB, server *program, pair, role string) *witness {
	t.Helper()
	link, err := url.Parse(server.joinURL)
	require.NoError(t, err)
	w := &witness{server: server}
	for i := range 10 {
		w.device += string(crockford[(time.Now().UnixNano()>>(5*i))%32])
	}
	ask, err := json.Marshal(map[string]string{
		"secret": strings.TrimPrefix(link.Fragment, "j="), "pair": pair, "role": role, "device": w.device, "name": "Wim",
	})
	require.NoError(t, err)
	origin := "http://" + server.addr
	answer, err := http.Post(origin+"/api/join", "application/json", bytes.NewReader(ask))
	require.NoError(t, err)
	defer answer.Body.Close()
	var joined struct{ Token, Pair string }
	require.NoError(t, json.NewDecoder(answer.Body).Decode(&joined))
	require.NotEmpty(t, joined.Token)
	w.pair = joined.Pair
	w.ws, _, err = websocket.DefaultDialer.Dial("ws://"+server.addr+"/socket", http.Header{"Origin": {origin}})
	require.NoError(t, err)
	w.heard = make(chan heardFrame, 1024)
	reading := make(chan struct{})
	go w.read(reading)
	t.Cleanup(func() {
		w.ws.Close()
		<-reading
	})
	w.send(t, map[string]any{"type": "hello", "v": 1, "token": joined.Token, "pair": w.pair, "device": w.device, "have": map[string]int{}})
	w.await(t, "welcome")
	go w.stay(reading)
	w.shared = span{math.Inf(-1), math.Inf(1)}
	w.measure(t, quickExchanges)
	return w
}

func (w *witness) send(t testing.TB, message any) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	require.NoError(t, w.ws.WriteJSON(message))
}

// stay shows a sign of life now and then, for the server hangs up on silence.
func (w *witness) stay(over <-chan struct{}) {
	for {
		select {
		case <-over:
			return
		case <-time.After(5 * time.Second):
			w.mu.Lock()
			_ = w.ws.WriteJSON(map[string]any{"type": "presence"})
			w.mu.Unlock()
		}
	}
}

// read takes in all frames, and keeps those that somebody may wait for.
func (w *witness) read(done chan<- struct{}) {
	defer close(done)
	defer close(w.heard)
	for {
		var m map[string]any
		if w.ws.ReadJSON(&m) != nil {
			return
		}
		switch m["type"] {
		case "presence", "events":
		default:
			w.heard <- heardFrame{m, time.Now()}
		}
	}
}

// await gives the next frame of a type.
func (w *witness) await(t testing.TB, kind string) heardFrame {
	t.Helper()
	limit := time.After(10 * time.Second)
	for {
		select {
		case f, open := <-w.heard:
			require.True(t, open, "the server hung up before: %s", kind)
			if f.message["type"] == kind {
				return f
			}
		case <-limit:
			require.FailNow(t, "the server did not send: "+kind)
		}
	}
}

// quickExchanges are fewer than what a server answers in one go, also where it is asked
// several times within a second or two.
const quickExchanges = 12

// measure exchanges time stamps with the server and narrows what is known.
func (w *witness) measure(t testing.TB, exchanges int) {
	t.Helper()
	for i := range exchanges {
		if i >= quickExchanges {
			time.Sleep(60 * time.Millisecond) // the server passes over what comes faster
		}
		t1 := ownMs(time.Now())
		w.send(t, map[string]any{"type": "time", "t1": t1})
		answer := w.await(t, "time")
		t2, t3 := answer.message["t2"].(float64), answer.message["t3"].(float64)
		w.shared = span{max(w.shared.lo, t3-ownMs(answer.at)), min(w.shared.hi, t2+0.001-t1)}
	}
	require.LessOrEqual(t, w.shared.lo, w.shared.hi, "the server's clock went its own way")
}

// now is shared time now.
func (w *witness) now() float64 { return ownMs(time.Now()) + w.shared.middle() }

// instant is when it is or was that shared time.
func (w *witness) instant(sharedMs float64) time.Time {
	return epoch.Add(time.Duration((sharedMs - w.shared.middle()) * 1e6))
}

// record sends an event of its own and waits until the server has it.
func (w *witness) record(t testing.TB, hold, kind, by string) {
	t.Helper()
	w.counter++
	w.send(t, map[string]any{"type": "events", "events": []any{map[string]any{
		"id": fmt.Sprintf("%s-%06d", w.device, w.counter), "hold": hold, "kind": kind, "at": int64(w.now()), "by": by,
	}}})
	w.await(t, "stored")
}

// oddClock is a page's clock that is coarse, or runs fast.
type oddClock struct {
	stepMs float64 // 0 leaves it as it is
	ppm    float64
}

// patch is what a page and its worker run first. realNow stays the true clock.
func (c oddClock) patch() string {
	return fmt.Sprintf(`globalThis.realNow = performance.now.bind(performance);
		if (%[1]g > 0 || %[2]g !== 0) {
			const step = %[1]g || 0.1;
			performance.now = () => Math.floor(realNow() * (1 + %[2]g / 1e6) / step) * step;
		}`, c.stepMs, c.ppm)
}

// readShown is an expression: the page's true clock, the shared time it shows
// at that instant with its fractions, and the shown doubt or -1. Of some tries
// it is the one that the machine held up least between the two clocks.
const readShown = `(() => {
	let best = null;
	for (let i = 0; i < 20 && !(best && best[3] <= 0.1); i++) {
		const before = realNow();
		const shown = performance.now();
		const after = realNow();
		const { offset_ms, doubt_ms } = buddyclock.clock();
		if (!best || after - before < best[3]) best = [(before + after) / 2, shown + offset_ms, doubt_ms ?? -1, after - before];
	}
	return best;
})()`

// serveOdd serves what the server does, its worker with a clock as wished.
func serveOdd(t testing.TB, target string, c oddClock) (addr string) {
	t.Helper()
	front := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(&url.URL{Scheme: "http", Host: target})
			r.Out.Host = r.In.Host
			r.Out.Header.Set("Accept-Encoding", "identity")
		},
		ModifyResponse: func(r *http.Response) error {
			if !strings.HasSuffix(r.Request.URL.Path, "/worker.js") {
				return nil
			}
			body, err := io.ReadAll(r.Body)
			if err != nil {
				return err
			}
			body = append([]byte(c.patch()+"\n"), body...)
			r.Body = io.NopCloser(bytes.NewReader(body))
			r.ContentLength = int64(len(body))
			r.Header.Set("Content-Length", fmt.Sprint(len(body)))
			return nil
		},
	}
	server := httptest.NewServer(front)
	t.Cleanup(server.Close)
	return strings.TrimPrefix(server.URL, "http://")
}

// serveTruth answers any frame with this process's own ms.
func serveTruth(t testing.TB) (socketURL string) {
	t.Helper()
	up := websocket.Upgrader{CheckOrigin: func(*http.Request) bool { return true }}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ws, err := up.Upgrade(w, r, nil)
		if err != nil {
			return
		}
		defer ws.Close()
		for {
			if _, _, err := ws.ReadMessage(); err != nil {
				return
			}
			if ws.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, "%.4f", ownMs(time.Now()))) != nil {
				return
			}
		}
	}))
	t.Cleanup(server.Close)
	return "ws" + strings.TrimPrefix(server.URL, "http")
}

// canMeasure lets a page be asked for its time past its own policy, and gives
// its main thread the clock wished for. To be called before the page is opened.
func (b *browser) canMeasure(t testing.TB, c oddClock) {
	t.Helper()
	b.run(t, page.SetBypassCSP(true), chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(c.patch()).Do(ctx)
		return err
	}))
}

// trueTime tells how far this process's ms are ahead of the page's true clock.
func (b *browser) trueTime(t testing.TB, socketURL string) span {
	t.Helper()
	found := eval[[]float64](t, b, fmt.Sprintf(`new Promise((done, fail) => {
		const ws = new WebSocket(%q);
		let lo = -Infinity, hi = Infinity, left = 150, t1 = 0;
		const ask = () => { t1 = realNow(); ws.send('?'); };
		ws.onopen = ask;
		ws.onerror = () => fail(new Error('no truth'));
		ws.onmessage = (e) => {
			const t4 = realNow(), t = Number(e.data);
			lo = Math.max(lo, t - t4 - 0.1);
			hi = Math.min(hi, t - t1 + 0.1);
			left -= 1;
			if (left > 0) return void setTimeout(ask, 3 + 4 * Math.random());
			ws.close();
			done([lo, hi]);
		};
	})`, socketURL))
	require.LessOrEqual(t, found[0], found[1], "the page's clock went its own way")
	return span{found[0], found[1]}
}
