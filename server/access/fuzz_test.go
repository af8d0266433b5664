package access

import (
	"strings"
	"testing"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/server/steady"
)

// FuzzTyped ensures that of all that can be typed only the code itself opens the
// door, however it is spelt, and that ids are told from what is none.
func FuzzTyped(f *testing.F) {
	for _, seed := range []string{"", "7K2M9Q", "7k2-m9q", " o i l ", "k7p2q4m9tc", "K7P2Q4M9TC", "ﬀ", "\xff", "İıſ", strings.Repeat("-", 99)} {
		f.Add(seed)
	}
	watch := steady.New(400, 4<<20)
	f.Fuzz(func(t *testing.T, typed string) {
		watch.Run(t, len(typed), func() {
			codes := NewCodes(clock.NewMock())
			signs, _ := codes.Show()
			require.Equal(t, normalize(typed) == signs, codes.Try(typed))
			require.True(t, codes.Try(" "+strings.ToLower(signs[:3])+"-"+signs[3:]), "a wrong try does not shut the door")
			if IsDeviceID(typed) {
				require.Len(t, typed, DeviceIDLength)
				require.Equal(t, strings.ToLower(typed), typed)
			}
			require.Len(t, HashToken(typed), 32)
			require.Equal(t, typed == signs, Same(signs, typed))
		})
	})
}
