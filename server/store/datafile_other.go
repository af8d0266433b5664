//go:build !linux

package store

import "os"

// openDataFile makes an empty file.
func openDataFile(path string) (dataFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	return dataFile{f}, err
}

// Sync waits for all; a Mac's drive is asked to empty its own memory too.
func (f dataFile) Sync() error { return f.File.Sync() }
