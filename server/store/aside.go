package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"buddyclock/server/folder"
)

// setAside renames a damaged file, with its log beside it, so that nothing can
// write to it any more. It gives the new name.
func setAside(path string, nowMs int64) (string, error) {
	stamp := time.UnixMilli(nowMs).UTC().Format("20060102-150405")
	for n := range 100 {
		aside := fmt.Sprintf("%s.damaged-%s", path, stamp)
		if n > 0 {
			aside = fmt.Sprintf("%s-%d", aside, n+1)
		}
		if _, err := os.Lstat(aside); err == nil {
			continue
		}
		// Journal and log go first: a file without them is still whole up to its
		// last checkpoint, a log under another file's name would spoil that one.
		for _, suffix := range []string{journalSuffixes[0], journalSuffixes[1], "-wal", "-shm", ""} {
			if err := os.Rename(path+suffix, aside+suffix); err != nil && !(suffix != "" && errors.Is(err, os.ErrNotExist)) {
				return "", err
			}
		}
		return aside, folder.Sync(filepath.Dir(path))
	}
	return "", errors.New("too many damaged files in the folder")
}
