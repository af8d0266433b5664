package server

import (
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that every page is told where the people are simulated, and that
// nothing of the kind is said of real ones.
func TestSimulatedPeopleAreSaid(t *testing.T) {
	h := newHost(t)
	for _, simulated := range []bool{false, true} {
		h.srv.simulated = simulated
		phone := h.join("new", protocol.RoleBuddy).connect(nil)
		board := h.board()
		_, pairs := h.post("/api/pairs", map[string]any{"secret": h.srv.secret})
		for _, told := range []map[string]any{phone.welcome, board.welcome, pairs} {
			if simulated {
				require.Equal(t, true, told["simulated"])
			} else {
				require.NotContains(t, told, "simulated")
			}
		}
	}
}
