package store

import "buddyclock/protocol"

// aheadMs is how far an event may lie ahead of shared time by accident.
const aheadMs = 2_000

// OnPurposeAheadMs is how far ahead of its making an event of a kind may lie on
// purpose, ms: a start may be agreed on in advance.
func OnPurposeAheadMs(kind string) int64 {
	if kind == protocol.KindStart {
		return 58_000
	}
	return 0
}

// MostAheadMs is how far ahead of shared time an event of a kind may lie, ms.
func MostAheadMs(kind string) int64 { return aheadMs + OnPurposeAheadMs(kind) }
