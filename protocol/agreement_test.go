package protocol_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// oracleEvents reads a set's events for the oracle; of two with one id the first to arrive counts.
func oracleEvents(t *testing.T, set randomSet) []oEvent {
	t.Helper()
	var events []oEvent
	seen := map[string]bool{}
	for _, raw := range set.Events {
		e, err := oDecode(raw)
		require.NoError(t, err)
		if !seen[e.ID] {
			seen[e.ID] = true
			events = append(events, e)
		}
	}
	return events
}

// oracleSays compares the rules with the oracle at one instant.
func oracleSays(t *testing.T, hold *protocol.Hold, events []oEvent, at int64, about string) bool {
	t.Helper()
	wantStatus, wantRungs := oracleAt(events, at)
	status := jsonValue(t, hold.StatusAt(at)).(map[string]any)
	delete(status, "hold")
	return assert.Equal(t, jsonValue(t, wantStatus), any(status), about) &&
		assert.Equal(t, jsonValue(t, wantRungs), jsonValue(t, append([]protocol.Rung{}, hold.TimelineAt(at)...)), about)
}

// Ensures that the fold, which jumps from rung to rung by bisection, tells the same as walking through every
// millisecond does.
func TestOracleAgrees(t *testing.T) {
	for n := range few(*oracleSets) {
		set := newRandomSet(*randomSeed, n, true)
		hold, events := set.hold(t), oracleEvents(t, set)
		for _, at := range set.At[:2] {
			if !oracleSays(t, hold, events, at, describe(set, n, at)) {
				return
			}
		}
	}
}

// Ensures that the oracle reads the rules as the vectors do, so that it is no weaker witness than they are.
func TestOracleAgreesWithVectors(t *testing.T) {
	compared := 0
	for name := range vectorRunners {
		for i, raw := range readVectors(t, name).Cases {
			var c foldCase
			if json.Unmarshal(raw, &c); c.Status == nil {
				continue // a file of another kind of case
			}
			if compared++; few(compared) == few(compared-1) {
				continue
			}
			set := randomSet{Events: c.Events}
			hold, events := set.hold(t), oracleEvents(t, set)
			at, _ := hold.LastAt()
			if c.AtMs != nil {
				at = *c.AtMs
			}
			status, rungs := oracleAt(events, at)
			fields := jsonValue(t, status).(map[string]any)
			for field, value := range c.Status {
				assert.Equal(t, jsonValue(t, value), fields[field], "%s case %d: %s: %s", name, i, c.Comment, field)
			}
			if c.Timeline != nil {
				assert.Equal(t, jsonValue(t, *c.Timeline), jsonValue(t, rungs), "%s case %d: %s", name, i, c.Comment)
			}
		}
	}
	require.Greater(t, compared, 500)
}
