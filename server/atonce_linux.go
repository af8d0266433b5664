package server

import (
	"io"
	"os"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// What takes or gives bytes at once is called here without a word to Go's scheduler,
// since it cannot wait: thousands of times a second that word costs more than it is
// worth, above all where it wakes the watchdog that looks after calls that wait.

// writer writes to a connection what that takes without waiting. One goroutine at a
// time may use it.
type writer struct {
	raw syscall.RawConn
	try func(fd uintptr) // made once, as it would cost room each time
	buf []byte
	n   int
}

// newWriter gives what writes to a plain connection.
func newWriter(raw syscall.RawConn) *writer {
	w := &writer{raw: raw}
	w.try = w.write
	return w
}

// Now writes as much as the connection takes, and gives how much that was.
func (w *writer) Now(b []byte) int {
	w.buf, w.n = b, 0
	_ = w.raw.Control(w.try) // takes no lock that a write under way could hold
	w.buf = nil
	return w.n
}

// write leaves an error to the next write, since nothing was written then.
func (w *writer) write(fd uintptr) {
	n, _, errno := syscall.RawSyscall6(unix.SYS_SENDTO, fd, uintptr(unsafe.Pointer(unsafe.SliceData(w.buf))), uintptr(len(w.buf)), unix.MSG_DONTWAIT|unix.MSG_NOSIGNAL, 0, 0)
	if errno == 0 {
		w.n = int(n)
	}
}

// reader reads from a connection. Only one goroutine may use it.
type reader struct {
	raw syscall.RawConn
	try func(fd uintptr) bool // made once, as it would cost room each time
	buf []byte
	n   int
	err error
}

// newReader gives what reads from a plain connection.
func newReader(raw syscall.RawConn) io.Reader {
	r := &reader{raw: raw}
	r.try = r.read
	return r
}

// Read implements io.Reader.
func (r *reader) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	r.buf = b
	err := r.raw.Read(r.try)
	r.buf = nil
	if err != nil {
		return 0, err
	}
	return r.n, r.err
}

// read takes what is there, and tells whether it is done or must wait.
func (r *reader) read(fd uintptr) bool {
	n, _, errno := syscall.RawSyscall6(unix.SYS_RECVFROM, fd, uintptr(unsafe.Pointer(unsafe.SliceData(r.buf))), uintptr(len(r.buf)), unix.MSG_DONTWAIT, 0, 0)
	switch {
	case errno == syscall.EAGAIN:
		return false
	case errno == syscall.EINTR:
		return r.read(fd)
	case errno != 0:
		r.n, r.err = 0, os.NewSyscallError("recvfrom", errno)
	case n == 0:
		r.n, r.err = 0, io.EOF
	default:
		r.n, r.err = int(n), nil
	}
	return true
}
