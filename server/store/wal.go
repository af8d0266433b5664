package store

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"os"
)

// Sizes of SQLite's log (https://sqlite.org/fileformat2.html#walformat). Pages
// are of the size that new files have.
const (
	pageBytes      = 4096
	walHeaderBytes = 32
	walFrameBytes  = 24 + pageBytes
	walMagic       = 0x377f0682 // the last bit tells the byte order of checksums
)

// walDamage tells what is wrong with the log beside a data file, or "" where it
// is sound. For SQLite a log ends at the first frame with a wrong checksum, so
// that what follows a spoilt byte would be gone without a word; therefore it is
// looked through before SQLite opens it.
func walDamage(path string) (string, error) {
	f, err := os.Open(path + "-wal")
	if errors.Is(err, os.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	defer f.Close()
	what, err := readWAL(bufio.NewReaderSize(f, 1<<16))
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil // a frame that is not whole was never promised to anybody
	}
	return what, err
}

// readWAL reads on until it finds damage or meets the log's end, which it
// reports as an error of package io.
//
// A broken place in the last transaction is no damage: it was being written when
// the power went, and nobody was told that it was stored. But a transaction is
// only begun when the one before is safely on disk. So sound frames after the
// end of a broken transaction show that it was sound once.
func readWAL(in io.Reader) (string, error) {
	header := make([]byte, walHeaderBytes)
	if _, err := io.ReadFull(in, header); err != nil {
		return "", err
	}
	magic := binary.BigEndian.Uint32(header)
	sum := walSum{order: binary.LittleEndian}
	if magic&1 == 1 {
		sum.order = binary.BigEndian
	}
	sum.add(header[:24])
	whole := magic&^1 == walMagic && binary.BigEndian.Uint32(header[8:]) == pageBytes && sum.equals(header[24:])

	broken, ended := false, false
	for frame := make([]byte, walFrameBytes); ; {
		if _, err := io.ReadFull(in, frame); err != nil {
			return "", err
		}
		if !whole { // it was on disk before any frame
			return "the head of its log is broken", nil
		}
		// Frames of an earlier round follow the log's end, and have other salts.
		present := [8]byte(frame[8:16]) == [8]byte(header[16:24])
		commits := present && binary.BigEndian.Uint32(frame[4:]) != 0
		sum.add(frame[:8])
		sum.add(frame[24:])
		sound := present && sum.equals(frame[16:24])
		sum.resume(frame[16:24])
		switch {
		case !broken && !sound:
			broken, ended = true, commits
		case broken && sound && ended:
			return "its log is broken in the middle", nil
		case broken && sound:
			ended = commits
		}
	}
}

// walSum is the running checksum of a log.
type walSum struct {
	order  binary.ByteOrder
	s0, s1 uint32
}

func (w *walSum) add(b []byte) {
	for ; len(b) >= 8; b = b[8:] {
		w.s0 += w.order.Uint32(b) + w.s1
		w.s1 += w.order.Uint32(b[4:]) + w.s0
	}
}

func (w *walSum) equals(b []byte) bool {
	return binary.BigEndian.Uint32(b) == w.s0 && binary.BigEndian.Uint32(b[4:]) == w.s1
}

// resume goes on from a checksum as it is written, whether right or not.
func (w *walSum) resume(b []byte) {
	w.s0, w.s1 = binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])
}
