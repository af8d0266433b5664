package store

import (
	"errors"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// journalFile is a file that is written to past the system's cache: what must be on
// the disk before anybody goes on only costs time there. Where it can be, a write is
// on the disk when it returns, and Sync has nothing left to wait for.
type journalFile struct {
	*os.File
	kept     *keptWrites // nil where the system or the file system has none
	worth    worth       // whether to use them
	unsynced bool        // whether something was written that only Sync brings to the disk
}

// openJournalFile makes an empty file.
func openJournalFile(path string) (File, error) {
	const mode = os.O_CREATE | os.O_TRUNC | os.O_WRONLY
	f, err := os.OpenFile(path, mode|unix.O_DIRECT, 0o600)
	if err == nil {
		return &journalFile{File: f, kept: newKeptWrites()}, nil
	}
	if errors.Is(err, syscall.EINVAL) { // the file system does not have that
		f, err = os.OpenFile(path, mode, 0o600)
	}
	return &journalFile{File: f}, err
}

// WriteAt goes through the cache after all where the disk has blocks of another
// kind than ours.
func (f *journalFile) WriteAt(b []byte, at int64) (int, error) {
	if begun := time.Now(); f.worth.now(begun) && f.kept.write(f.File, b, at) {
		now := time.Now()
		f.worth.took(now.Sub(begun), now)
		return len(b), nil
	}
	f.unsynced = true
	n, err := f.File.WriteAt(b, at)
	if errors.Is(err, syscall.EINVAL) && f.useCache() == nil {
		return f.File.WriteAt(b, at)
	}
	return n, err
}

// useCache has all later writes go through the cache.
func (f *journalFile) useCache() error {
	f.kept.close() // else one would hold up a thread for as long as the disk takes
	f.kept = nil
	flags, err := unix.FcntlInt(f.Fd(), unix.F_GETFL, 0)
	if err == nil {
		_, err = unix.FcntlInt(f.Fd(), unix.F_SETFL, flags&^unix.O_DIRECT)
	}
	return err
}

// Sync waits for the data alone, and the file's size where that has grown: the time
// of the change need not outlast a power cut.
func (f *journalFile) Sync() error {
	for f.unsynced {
		switch err := syscall.Fdatasync(int(f.Fd())); err {
		case nil:
			f.unsynced = false
		case syscall.EINTR:
		default:
			return os.NewSyscallError("fdatasync", err)
		}
	}
	f.worth.done(time.Now())
	return nil
}

// Close implements io.Closer.
func (f *journalFile) Close() error {
	f.kept.close()
	return f.File.Close()
}
