//go:build !linux

package store

import "os"

// openJournalFile makes an empty file. Its Sync asks a Mac's drive to empty its own
// memory too.
func openJournalFile(path string) (File, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
}
