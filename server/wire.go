package server

import "encoding/binary"

// Frames are written to the connection as they stand on the wire (RFC 6455,
// section 5.2), several at once where several wait, and answers to pings among
// them, so that none comes to lie within another. The websocket itself writes
// nothing but the farewell.

const (
	final       = 0x80 // the first byte of a frame that is a whole message
	textMessage = 0x1
	pongMessage = 0xa

	// maxHeadBytes is the size of the largest head of a frame from a server.
	maxHeadBytes = 10
)

// appendFrame spells one whole text message.
func appendFrame(b, text []byte) []byte {
	b = append(b, final|textMessage)
	switch n := len(text); {
	case n < 126:
		b = append(b, byte(n))
	case n < 1<<16:
		b = binary.BigEndian.AppendUint16(append(b, 126), uint16(n))
	default:
		b = binary.BigEndian.AppendUint64(append(b, 127), uint64(n))
	}
	return append(b, text...)
}
