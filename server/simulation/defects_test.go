package simulation

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// defect is a mistake put in on purpose: words of a file of the page that are
// changed as it is packed, or something that the host does.
type defect struct {
	name  string
	file  string
	edits []edit
	host  string
	seed  uint64 // of the first outing to look in; those before, from 1 on, take time and do not show it
	finds string // the rule that must be seen broken
}

type edit struct{ old, new string }

// What a host can do wrong.
const ackBeforeSync = "acknowledges before its disk has it"

// The simulator has so many steps of so many seeds to find a defect in.
const (
	within = 6_000
	seeds  = 8
)

var defects = []defect{
	{
		name: "the host acknowledges before its disk has it", host: ackBeforeSync, seed: 2,
		finds: "no acknowledged event is lost",
	},
	{
		name: "no rung is laid", file: "web/sound/schedule.js", seed: 2,
		edits: []edit{{"if (level === 0) return [];", "return [];"}},
		finds: "each rung is sounded",
	},
	{
		name: "nobody takes over", file: "web/app/rungs.js", seed: 4,
		edits: []edit{{"if (elected?.mine) return", "if (elected?.mine && me.role === 'buddy') return"}},
		finds: "each rung is sounded",
	},
	{
		name: "the page's fold leaves out a kind", file: "web/rules/apply.js",
		edits: []edit{{"case 'asked':", "case 'asked-never':"}},
		finds: "the same events give the same state",
	},
	{
		name: "an instructor's board leaves out a kind", file: "web/app/board_model.js", seed: 2,
		edits: []edit{{"if ('event' in made) book.add(made.event, pair);", "if ('event' in made && made.event.kind !== 'sounded') book.add(made.event, pair);"}},
		finds: "after healing all agree",
	},
	{
		name: "what is sent again gets a new id", file: "web/sync/outbox.js",
		edits: []edit{{
			"batch.push(w.event);",
			"batch.push((w.again = (w.again ?? 0) + 1) > 1 ? { ...w.event, id: w.event.id.replace(/.$/, (n) => 9 - Number(n)) } : w.event);",
		}},
		finds: "one id is one event",
	},
	{
		name: "a phone sends only once", file: "web/sync/outbox.js",
		edits: []edit{{"if (!again && now - w.sentAt < RESEND_MS) continue;", "if (w.sentAt > -Infinity) continue;"}},
		finds: "after healing all agree",
	},
	{
		name: "the clock claims less doubt than it has", file: "web/app/time.js",
		edits: []edit{{"return e.doubt_ms + drift + stepMs + Math.abs(e.offset_ms - shown);", "return e.doubt_ms / 4;"}},
		finds: "a clock is as true as it says",
	},
	{
		name: "the shown time follows the host back at once", file: "web/app/time.js",
		edits: []edit{{"if (inHold && t < lastShown) return lastShown;", ""}, {"    if (!inHold) {\n      used += ahead;", "    if (ahead < 0 || !inHold) {\n      used += ahead;"}},
		finds: "one clock never goes back in a hold",
	},
	{
		name: "a phone that lost power counts on from what it still has", file: "web/app/device.js", seed: 3,
		edits: []edit{{"mayBeUsed: (device) => (reserved?.device === device ? reserved.before : 0),", "mayBeUsed: () => 0,"}},
		finds: "one id is one event",
	},
}

// Ensures that the simulator sees mistakes: each of these is found, by the rule that it breaks.
func TestFindsWhatIsWrong(t *testing.T) {
	for _, d := range defects {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			page, err := packPage(d)
			require.NoError(t, err)
			for seed := max(d.seed, 1); seed <= seeds; seed++ {
				err := newWorld(seed, page, d).run(within)
				if err == nil {
					continue
				}
				b := err.(*broken)
				require.Equal(t, d.finds, b.rule, "%v\n%s", b, b.trace)
				t.Logf("seed %d, step %d: %v", seed, b.steps, b)
				return
			}
			t.Errorf("not found in %d × %d steps", seeds, within)
		})
	}
}
