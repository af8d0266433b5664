package e2e

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// touchTwice gives the diver's answer: two touches within 1.5 s.
func (p *phone) touchTwice(t *testing.T) {
	t.Helper()
	before := eval[int](t, p.browser, recorded("answered"))
	for eval[int](t, p.browser, recorded("answered")) == before {
		for range 2 {
			p.run(t, input.DispatchTouchEvent(input.TouchStart, []*input.TouchPoint{{X: 195, Y: 420}}))
			p.soon(t, "false", lifted)
			p.run(t, input.DispatchTouchEvent(input.TouchEnd, []*input.TouchPoint{}))
			p.soon(t, "false", lifted)
		}
		p.soon(t, fmt.Sprintf("%s > %d", recorded("answered"), before), patience)
	}
}

// shown is an expression: the hold as the page folds it, in what every device
// must agree on.
const shown = `(() => { const s = buddyclock.frame().status; return s && JSON.stringify([s.hold, s.phase, s.boundaries, s.start_at, s.last_proof_at, s.surfaced_at, s.ok_at]); })()`

// agree waits until two phones show the same hold.
func agree(t *testing.T, a, b *phone) {
	t.Helper()
	for {
		mine, theirs := eval[string](t, a.browser, shown), eval[string](t, b.browser, shown)
		if mine == theirs {
			return
		}
		require.NoError(t, a.ctx.Err(), "the phones never agreed: %s and %s", mine, theirs)
	}
}

// A pair with two phones: the diver's phone joins by the typed code, answers the
// buddy's tap by two touches, sees what the buddy does, and both fold the same
// hold through an incident to its end. `buddyclock replay` agrees with them.
func TestTwoPhonesThroughAnIncident(t *testing.T) {
	t.Parallel() // it waits for people most of the time
	server := startProgram(t, "", "")
	buddy := newPhone(t, "buddy", 390, 844, browserSetup{limit: holdLimit})
	buddy.open(t, server.joinURL)
	buddy.fill(t, "your name", "Odo")
	buddy.tap(t, "start a pair")
	buddy.fillPlan(t, "Ansa", "1:00")

	code := eval[string](t, buddy.browser, "buddyclock.access.invite().then((i) => i.code)")
	diver := newPhone(t, "diver", 390, 844, browserSetup{limit: holdLimit})
	diver.open(t, "http://"+server.addr+"/")
	diver.fill(t, "code", code)
	diver.picture(t, "code")
	diver.tap(t, "go on")
	diver.tap(t, "diver")
	diver.fill(t, "your name", "Ansa")
	diver.picture(t, "join")
	diver.tap(t, "join")
	diver.waitFor(t, "document.querySelector('.page.diver')")
	diver.picture(t, "waits")

	buddy.tap(t, "breathe-up")
	buddy.proveSound(t)
	buddy.fillPlace(t)
	buddy.phase(t, "breathe-up")
	agree(t, buddy, diver)
	buddy.record(t, "last breath", "start")
	diver.phase(t, "hold")
	agree(t, buddy, diver)
	diver.picture(t, "hold")

	// The buddy taps, and the diver's own phone answers.
	buddy.pressSlab(t, "asked")
	diver.waitFor(t, "document.querySelector('.page.diver[data-asked]')")
	diver.picture(t, "asked")
	diver.touchTwice(t)
	agree(t, buddy, diver)
	answer := eval[map[string]any](t, buddy.browser, "buddyclock.frame().hold.events.findLast((e) => e.kind === 'answered')")
	assert.Equal(t, "diver", answer["by"])
	assert.NotZero(t, answer["data"].(map[string]any)["took_ms"], "its time is told")

	// Nobody answers: the alarm is on both phones at once.
	buddy.record(t, "no answer", "no-answer")
	diver.waitFor(t, standing("alarm", "up"))
	buddy.picture(t, "no answer")
	diver.picture(t, "alarm")
	buddy.record(t, "up", "surfaced")
	buddy.says(t, "awake?")
	buddy.picture(t, "awake")
	buddy.phase(t, "incident") // nobody said awake
	diver.phase(t, "incident")
	buddy.says(t, "112")
	assert.Equal(t, "tel:112", eval[string](t, buddy.browser, "document.querySelector('.incident-number').href"), "the number can be dialled by a touch")
	buddy.picture(t, "incident")
	diver.picture(t, "incident")
	buddy.record(t, "with them", "with-them")
	diver.waitFor(t, "buddyclock.frame().status.incident?.with_them === true")
	buddy.picture(t, "with them")
	buddy.record(t, "awake and breathing", "recovered")
	buddy.phase(t, "watch")
	agree(t, buddy, diver)
	buddy.watchOut(t)
	diver.phase(t, "over")
	agree(t, buddy, diver)
	buddy.record(t, "passed out", "verdict")
	buddy.picture(t, "debrief")

	buddy.waitFor(t, "buddyclock.frame().link.unsent === 0")
	agree(t, buddy, diver)
	mine := eval[string](t, buddy.browser, `buddyclock.frame().hold.events.map((e) => JSON.stringify(e)).join('\n')`)
	file := filepath.Join(t.TempDir(), "hold.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(mine+"\n"), 0o600))
	path, err := built()
	require.NoError(t, err)
	out, err := exec.Command(path, "replay", file).Output()
	require.NoError(t, err)
	var replayed struct {
		Phase   string         `json:"phase"`
		Summary map[string]any `json:"summary"`
	}
	require.NoError(t, json.Unmarshal(out, &replayed))
	assert.Equal(t, "over", replayed.Phase)
	assert.Equal(t, "unknown", replayed.Summary["incident"])
	page := eval[map[string]any](t, buddy.browser, "buddyclock.summaryOf(buddyclock.frame().hold)")
	for name, value := range replayed.Summary {
		assert.Equal(t, value, page[name], name)
	}
}
