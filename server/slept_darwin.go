package server

import (
	"time"

	"golang.org/x/sys/unix"
)

// sleptSoFar tells how long this machine has slept since it was started: macOS
// has one clock that goes on in a sleep and one that does not.
func sleptSoFar() time.Duration {
	var with, without unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC_RAW, &with) != nil || unix.ClockGettime(unix.CLOCK_UPTIME_RAW, &without) != nil {
		return 0
	}
	return time.Duration(with.Nano() - without.Nano())
}
