//go:build !unix

package server

import (
	"io"
	"syscall"
)

// writer is not there: nothing can be written here without waiting.
type writer struct{}

func newWriter(syscall.RawConn) *writer { return nil }

// Now writes nothing.
func (*writer) Now([]byte) int { return 0 }

// newReader gives nothing here: the connection itself is read from.
func newReader(syscall.RawConn) io.Reader { return nil }
