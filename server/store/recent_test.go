package store

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Ensures that recent events are found by their keys from when they came until they
// are dropped, and no others, however often anybody asks meanwhile.
func TestRecentAreFoundByTheirKeys(t *testing.T) {
	all := newRecent()
	var there []*row
	next := int64(0)
	for range 2_000 {
		switch rand.IntN(6) {
		case 0:
			n := rand.IntN(len(there) + 1)
			all.drop(n)
			there = there[n:]
		case 1:
			asked := eventKey{"d", rand.Int64N(next + 2)}
			var want *row
			for _, one := range there {
				if one.key() == asked {
					want = one
				}
			}
			require.Same(t, want, all.one(asked))
		default:
			var some []*row
			for range rand.IntN(4) {
				next++
				some = append(some, &row{id: fmt.Sprintf("d-%06d", next), device: "d", counter: next})
			}
			all.add(some)
			there = append(there, some...)
		}
		require.Equal(t, len(there), all.len())
	}
}
