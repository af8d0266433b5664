package localca

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/server/steady"
)

// FuzzAuthority ensures that a spoilt file of the authority is refused with a
// reason, and that one that is taken can sign.
func FuzzAuthority(f *testing.F) {
	at := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)
	dir := f.TempDir()
	_, err := Open(dir, at)
	require.NoError(f, err)
	text, err := os.ReadFile(filepath.Join(dir, FileName))
	require.NoError(f, err)
	f.Add(text)
	f.Add(text[:len(text)/2])
	f.Add([]byte("-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"))
	f.Add([]byte{})
	watch := steady.New(2000, 4<<20)
	f.Fuzz(func(t *testing.T, text []byte) {
		watch.Run(t, len(text), func() {
			a, err := parse(text)
			if err != nil {
				require.NotEmpty(t, err.Error())
				return
			}
			require.NoError(t, a.issuer.CheckSignatureFrom(a.root))
		})
	})
}
