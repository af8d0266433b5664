package server

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// Hazard H05: the plan of a phone that was cut off takes no board's alarm of the hold
// that runs, and the outing does not end over it.
func TestH05APlanDoesNotHideTheHoldThatRuns(t *testing.T) {
	h := newHost(t)
	one := h.join("new", "buddy").connect(nil)
	two := h.join(one.pair, "buddy").connect(nil)
	now := h.shared.NowMs()
	plan := map[string]any{"planned_s": 120, "setting": "pool"}
	one.record(one.id+"-h01", "plan", now-60_000, plan)
	one.record(one.id+"-h01", "start", now-58_000, nil)
	two.record(two.id+"-h01", "plan", now-1000, plan)
	board := h.board()
	board.until("the alarm", func() bool { return board.standing(one.pair)["rung"] == "alarm" })
	require.Equal(t, one.id+"-h01", board.pairs[one.pair]["hold"])
	status, answer := h.post("/api/end", map[string]any{"token": board.token})
	require.Equal(t, http.StatusConflict, status, answer)
	require.Equal(t, "in-hold", answer["code"])
}
