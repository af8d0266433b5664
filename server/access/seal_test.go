package access

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that seals are those that another program worked out, and that one
// fits no other event, device or spelling of it.
func TestH11Seals(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "seals.json"))
	require.NoError(t, err)
	var file struct {
		Count int
		Cases []struct {
			About, Token, Mac string
			Event             json.RawMessage
		}
	}
	require.NoError(t, json.Unmarshal(text, &file))
	require.Len(t, file.Cases, file.Count)
	for _, c := range file.Cases {
		e, err := protocol.Decode(c.Event)
		require.NoError(t, err, c.About)
		mac, err := Seal(c.Token, e)
		require.NoError(t, err)
		require.Equal(t, c.Mac, mac, c.About)
		require.False(t, Sealed(HashToken(c.Token), e), "an event without a seal")

		var fields map[string]any
		require.NoError(t, json.Unmarshal(c.Event, &fields))
		with := func(key string, value any) protocol.Event {
			changed := map[string]any{"mac": mac}
			for k, v := range fields {
				changed[k] = v
			}
			changed[key] = value
			text, err := json.Marshal(changed)
			require.NoError(t, err)
			e, err := protocol.Decode(text)
			require.NoError(t, err)
			return e
		}
		require.True(t, Sealed(HashToken(c.Token), with("mac", mac)), c.About)
		require.False(t, Sealed(HashToken(c.Token+"x"), with("mac", mac)), c.About)
		for key, value := range map[string]any{
			"at": e.At + 1, "by": "captain", "kind": "surfaced", "id": "k7p2q4m9tc-000018", "hold": "h",
			"data": map[string]any{"took_ms": 841}, "another_field": nil, "mac": strings.ToUpper(mac),
		} {
			require.False(t, Sealed(HashToken(c.Token), with(key, value)), "%s: %s changed", c.About, key)
		}
	}
}
