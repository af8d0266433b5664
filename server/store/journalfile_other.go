//go:build !linux

package store

import "os"

// openJournalFile makes an empty file.
func openJournalFile(path string) (journalFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	return journalFile{f}, err
}

// Sync waits for all; a Mac's drive is asked to empty its own memory too.
func (f journalFile) Sync() error { return f.File.Sync() }
