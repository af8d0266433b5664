package folder

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that a folder is synchronised, and that one which is not there is an error.
func TestSync(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, Sync(dir))
	require.ErrorIs(t, Sync(filepath.Join(dir, "none")), os.ErrNotExist)
}
