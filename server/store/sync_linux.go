package store

import (
	"os"
	"syscall"
)

// Sync waits for the data alone, and the file's size where that has grown: the time
// of the change need not outlast a power cut.
func (f dataFile) Sync() error {
	for {
		if err := syscall.Fdatasync(int(f.Fd())); err != syscall.EINTR {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}
