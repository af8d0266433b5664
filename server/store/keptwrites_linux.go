package store

import (
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// keptWrites are writes of which the system tells when they are on the disk, while no
// thread waits for them (io_submit(2)). A thread that waits within a call keeps one of
// Go's processors until the runtime's watchdog takes it away, and has that look every
// 70 µs; at thousands of writes a second this cost more than writing.
//
// Nothing is lost where one does not succeed: it is written once more, in the way that
// waits. One goroutine at a time may use them.
type keptWrites struct {
	context uintptr
	ready   *os.File        // an eventfd(2) that the system writes to; nobody need read it
	raw     syscall.RawConn // of ready
	look    func(fd uintptr) bool
	request request
	pointer *request // io_submit takes a list of pointers
	result  result
	buf     []byte // that the system reads from: held here, so that it is not moved
}

// request and result are `struct iocb` and `struct io_event` of linux/aio_abi.h, as
// they are on machines with the lowest byte first.
type (
	request struct {
		data       uint64
		key, flags uint32
		command    uint16
		priority   int16
		file       uint32
		from       uint64
		bytes      uint64
		at         int64
		_          uint64
		tell       uint32
		ready      uint32
	}
	result struct {
		data, request uint64
		wrote, second int64
	}
)

const (
	commandWrite = 1 // IOCB_CMD_PWRITE
	tellReady    = 1 // IOCB_FLAG_RESFD
)

// worth tells whether kept writes are worth it. Within the system each goes through more
// hands than one that a thread waits for, and where other programs are busy it waits for
// its turn at each. With both processors of a machine taken, an event took 3.3 ms to the
// other phone where it took 0.35 with writes that wait (BenchmarkLoadLow), and one of
// 5,000 pairs 6.5, now and then 540, where it took 0.4 (BenchmarkLoadFull). So they are
// for long successions of records alone, while each is quick.
type worth struct {
	last  time.Time // when a record was on the disk
	close int       // records in a row that came soon after one
	slow  int       // kept writes in a row that took long
	again time.Time // when they are tried once more
}

const (
	// soonAfter is how soon the next record comes in a succession, and succession how many
	// make one. A dozen pairs write less often.
	soonAfter  = 5 * time.Millisecond
	succession = 100
	// slowWrite is how long a kept write may take; a disk's own pauses are not in a row.
	slowWrite  = 1500 * time.Microsecond
	slowInARow = 8
	triedAgain = 5 * time.Minute
)

// now tells whether a write is to be a kept one.
func (w *worth) now(now time.Time) bool {
	return w.close >= succession && now.Sub(w.last) < soonAfter && !now.Before(w.again)
}

// took notes how long a kept write took.
func (w *worth) took(d time.Duration, now time.Time) {
	if d < slowWrite {
		w.slow = 0
	} else if w.slow++; w.slow == slowInARow {
		w.slow, w.again = 0, now.Add(triedAgain)
	}
}

// done notes that a record is on the disk; it may have taken several writes.
func (w *worth) done(now time.Time) {
	if w.close++; now.Sub(w.last) >= soonAfter {
		w.close = 0
	}
	w.last = now
}

// spareKeptWrites are for the next file: the system needs 20 ms to end some.
var spareKeptWrites = make(chan *keptWrites, 8)

// newKeptWrites gives nil where the system has none.
func newKeptWrites() *keptWrites {
	select {
	case k := <-spareKeptWrites:
		return k
	default:
	}
	if one := uint16(1); *(*byte)(unsafe.Pointer(&one)) != 1 {
		return nil
	}
	k := &keptWrites{}
	k.pointer = &k.request
	k.look = func(uintptr) bool { return k.take(0) }
	if _, _, errno := syscall.Syscall(unix.SYS_IO_SETUP, 1, uintptr(unsafe.Pointer(&k.context)), 0); errno != 0 {
		return nil
	}
	fd, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err == nil {
		k.ready = os.NewFile(uintptr(fd), "eventfd")
		k.raw, err = k.ready.SyscallConn()
	}
	if err != nil {
		k.end()
		return nil
	}
	k.request = request{flags: unix.RWF_DSYNC | unix.RWF_NOWAIT, command: commandWrite, tell: tellReady, ready: uint32(fd)}
	return k
}

// write tells whether all of b is on the disk. It does not even begin where the call
// itself would have to wait, as it would for room in the file.
func (k *keptWrites) write(f *os.File, b []byte, at int64) bool {
	if k == nil || len(b) == 0 {
		return false
	}
	k.buf = b
	defer func() { k.buf = nil }()
	k.request.file, k.request.at = uint32(f.Fd()), at
	k.request.from, k.request.bytes = uint64(uintptr(unsafe.Pointer(unsafe.SliceData(k.buf)))), uint64(len(b))
	if begun, _, _ := syscall.RawSyscall(unix.SYS_IO_SUBMIT, k.context, 1, uintptr(unsafe.Pointer(&k.pointer))); begun != 1 {
		return false
	}
	if err := k.raw.Read(k.look); err != nil {
		// That ought not to be. But until there is a result the system may read from buf.
		for !k.take(1) {
		}
	}
	return k.result.wrote == int64(len(b))
}

// take takes the result, and tells whether there was one; it waits for one at least,
// or for none.
func (k *keptWrites) take(atLeast uintptr) bool {
	got, _, _ := syscall.RawSyscall6(unix.SYS_IO_GETEVENTS, k.context, atLeast, 1, uintptr(unsafe.Pointer(&k.result)), 0, 0)
	return got == 1
}

func (k *keptWrites) close() {
	if k == nil {
		return
	}
	select {
	case spareKeptWrites <- k:
	default:
		k.end()
	}
}

func (k *keptWrites) end() {
	syscall.Syscall(unix.SYS_IO_DESTROY, k.context, 0, 0)
	if k.ready != nil {
		k.ready.Close()
	}
}
