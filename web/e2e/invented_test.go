package e2e

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// outingDay is when the first hold of an invented outing began: every third day
// up to yesterday.
func outingDay(o, outings int, now time.Time) time.Time {
	day := now.AddDate(0, 0, -1-3*(outings-1-o))
	return time.Date(day.Year(), day.Month(), day.Day(), 18, 0, 0, 0, day.Location())
}

// afterHold is from the start of an invented hold to that of the next.
const afterHold = 20 * time.Minute

// inventedHold is a whole hold of two invented people who swap roles, dry and
// pool outings in turn, the holds growing by weeks. put is given each event with
// its ms since the start.
func inventedHold(o, h int, put func(kind string, at int64, data map[string]any)) {
	diver, buddy := "Ansa", "Odo"
	if h%2 == 1 {
		diver, buddy = buddy, diver
	}
	setting := []string{"dry", "pool"}[o%2]
	// Nobody's holds grow for ever.
	length := int64(150_000 + 2500*min(o, 30) + 4000*((o*7+h*3)%5))
	onset := length*6/10 + int64(1000*((o*5+h)%4))
	worried := (o*3+h)%3 == 0
	if worried {
		onset -= 9000
	}
	put("plan", -240_000, map[string]any{"diver": diver, "buddy": buddy, "setting": setting, "planned_s": length/1000 - 5,
		"signal": "two taps, one finger up", "cadence": "standard", "hears": []string{"breaths"}})
	put("breathe-up", -180_000, nil)
	put("start", 0, nil)
	for at := int64(29_000); at < onset; at += 29_000 {
		put("look", at, nil)
	}
	for at, n := onset+3000, 0; at < length-1500; at, n = at+max(6000, 13_000-int64(n)*900), n+1 {
		put("asked", at, nil)
		took := int64(700 + 60*((o+n)%6) + 70*n)
		put("answered", at+took, map[string]any{"took_ms": took})
	}
	sites := []string{"belly", "belly", "chest", "chest", "throat"}
	for at, n := onset, 0; at < length; at, n = at+9000-int64(min(n, 12))*450, n+1 {
		put("contraction", at, map[string]any{"site": sites[min(n/3, 4)]})
	}
	put("surfaced", length, nil)
	put("ok", length+6000+int64(o%3)*700, nil)
	for _, after := range []int64{9000, 15_000, 22_000, 30_000, 45_000, 60_000} {
		put("look", length+after, nil)
	}
	put("watch-ended", length+61_000, nil)
	put("verdict", length+65_000, map[string]any{"what": "clean"})
	for i, spo2 := range []int{98, 96, 90, 82, 78 - o%4, 91, 97} {
		at := []int64{30_000, onset, length - 40_000, length - 5000, length + 14_000, length + 27_000, length + 34_000 + int64(o%5)*1000}[i]
		put("reading", at, map[string]any{"spo2": spo2, "hr": 74 - i*4 + o%3, "source": "typed"})
	}
	conditions := []string{}
	if worried {
		conditions = append(conditions, "worried")
	}
	if o%4 == 1 {
		conditions = append(conditions, "cold")
	}
	put("note", length+80_000, map[string]any{"text": "", "conditions": conditions, "felt": []string{"warmth"}, "about": "diver"})
}

// inventedOutings are the holds of many outings, one JSON event a line.
func inventedOutings(outings, holds int, now time.Time) []byte {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	counter := 0
	for o := range outings {
		for h := range holds {
			start := outingDay(o, outings, now).Add(time.Duration(h) * afterHold).UnixMilli()
			inventedHold(o, h, func(kind string, at int64, data map[string]any) {
				counter++
				event := map[string]any{"id": fmt.Sprintf("1nv3nt3dd0-%06d", counter), "hold": fmt.Sprintf("1nv3nt3dd0-h%02d", 1+o*holds+h), "kind": kind, "at": start + at, "by": "buddy"}
				if data != nil {
					event["data"] = data
				}
				_ = enc.Encode(event)
			})
		}
	}
	return b.Bytes()
}

// takeIn brings a file into the page by its own sheet.
func (p *phone) takeIn(t testing.TB, lines []byte, said string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "log.jsonl")
	require.NoError(t, os.WriteFile(path, lines, 0o600))
	eval[bool](t, p.browser, "buddyclock.go('files') ?? true")
	p.waitFor(t, "document.querySelector('input[type=file]')")
	p.run(t, chromedp.SetUploadFiles("input[type=file]", []string{path}, chromedp.ByQuery))
	p.says(t, said)
}
