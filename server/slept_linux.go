package server

import (
	"time"

	"golang.org/x/sys/unix"
)

// sleptSoFar tells how long this machine has been suspended since it was
// started: Linux has one clock that goes on in a suspend and one that does not.
func sleptSoFar() time.Duration {
	var with, without unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &with) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}
