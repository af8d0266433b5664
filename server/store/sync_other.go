//go:build !linux

package store

// Sync waits for all; a Mac's drive is asked to empty its own memory too.
func (f dataFile) Sync() error { return f.File.Sync() }
