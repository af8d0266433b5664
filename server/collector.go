package server

import (
	"os"
	"runtime/debug"
)

const (
	// heapGrowthPercent is how much the heap may grow before it is collected, four
	// times what Go chooses by itself. With thousands of phones on two cores a
	// collection takes a tenth of a second, in which frames wait: it shall be rare.
	heapGrowthPercent = 400
	// heapLimitBytes is where it is collected sooner again, so that a small
	// machine is not filled. An outing takes a hundredth of it.
	heapLimitBytes = 2 << 30
)

// CollectSeldom sets how often the program collects its garbage. GOGC and
// GOMEMLIMIT of the environment come first, as Go documents them.
func CollectSeldom() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(heapGrowthPercent)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(heapLimitBytes)
	}
}
