package e2e

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// boardAlarms is how many alarms each run of the board's benchmark lets come.
const boardAlarms = 8

// BenchmarkBoard prints how long after a pair's press of [no answer] the board
// is heard, with twelve pairs there: socket, disk of the server, fold, sound.
func BenchmarkBoard(b *testing.B) {
	table := newTable("From a pair's alarm to the board's sound (goal: 200)")
	each(b, "alarm", func(b *testing.B, _ int) {
		ctx, cancel := context.WithTimeout(context.Background(), benchLimit)
		defer cancel()
		server := startProgram(b, "", "")
		var pairs []*boardPair
		for _, diver := range divers {
			pairs = append(pairs, newBoardPair(b, server, diver, 20))
		}
		heard := listen(b, ctx)
		shown := newBoard(b, server, 1280, 800, len(pairs), browserSetup{limit: benchLimit, env: heard.server})
		shown.click(b, "document.querySelector('.b-title')", "buddyclock.sound.state().running")
		var late []float64
		for i := range boardAlarms {
			p := pairs[i]
			lookAll(b, pairs[i:])
			from := heard.len()
			pressed := time.Now()
			p.say(b, "no-answer", 0, nil)
			got := heard.until(b, pressed.Add(1500*time.Millisecond), from)
			for _, kind := range []string{"surfaced", "awake", "ok", "watch-ended"} {
				p.say(b, kind, 0, nil)
			}
			for _, pulse := range pulsesIn(got, 0.02) {
				if at := lateMs(heard.at(from+pulse.first), pressed); at > 0 {
					late = append(late, at-longRiseMs/2)
					break
				}
			}
			shown.waitFor(b, "buddyclock.frame().rows.every((r) => r.since === null)")
		}
		require.Len(b, late, boardAlarms, "an alarm was not heard")
		table.add("no answer, one at a time", late)
		heard.room.keep(b, "board")
	})
	table.print()
}
