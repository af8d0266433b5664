package store

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// openJournalFile makes an empty file that is written to past the system's cache:
// what must be on the disk before anybody goes on only costs time there.
func openJournalFile(path string) (journalFile, error) {
	const mode = os.O_CREATE | os.O_TRUNC | os.O_WRONLY
	f, err := os.OpenFile(path, mode|unix.O_DIRECT, 0o600)
	if errors.Is(err, syscall.EINVAL) { // the file system does not have that
		f, err = os.OpenFile(path, mode, 0o600)
	}
	return journalFile{f}, err
}

// WriteAt goes through the cache after all where the disk has blocks of another
// kind than ours.
func (f journalFile) WriteAt(b []byte, at int64) (int, error) {
	n, err := f.File.WriteAt(b, at)
	if errors.Is(err, syscall.EINVAL) && f.useCache() == nil {
		return f.File.WriteAt(b, at)
	}
	return n, err
}

func (f journalFile) useCache() error {
	flags, err := unix.FcntlInt(f.Fd(), unix.F_GETFL, 0)
	if err == nil {
		_, err = unix.FcntlInt(f.Fd(), unix.F_SETFL, flags&^unix.O_DIRECT)
	}
	return err
}

// Sync waits for the data alone, and the file's size where that has grown: the time
// of the change need not outlast a power cut.
func (f journalFile) Sync() error {
	for {
		if err := syscall.Fdatasync(int(f.Fd())); err != syscall.EINTR {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}
