package room

import (
	"bytes"
	"encoding/json"
	"strconv"
)

// maxFrame is the size above which events are spread over several frames.
const maxFrame = 192 << 10

// EventFrames spells events of a pair as `events` messages. Where more of them follow
// directly, all but the last say so with `more`, so that a page can wait with
// showing a hold of which it has seen only the beginning.
func EventFrames(pair string, events [][]byte) [][]byte {
	var frames [][]byte
	for len(events) > 0 {
		n := FrameShare(events)
		size := 64 + len(pair)
		for _, e := range events[:n] {
			size += len(e) + 1
		}
		var b bytes.Buffer
		b.Grow(size)
		b.WriteString(`{"type":"events","pair":`)
		b.Write(strconv.AppendQuote(b.AvailableBuffer(), pair))
		b.WriteString(`,"events":`)
		WriteList(&b, events[:n])
		events = events[n:]
		if len(events) > 0 {
			b.WriteString(`,"more":true`)
		}
		b.WriteByte('}')
		frames = append(frames, b.Bytes())
	}
	return frames
}

// FrameShare tells how many of the events fit into one frame; at least one.
func FrameShare(events [][]byte) int {
	size := 0
	for i, e := range events {
		size += len(e) + 1
		if i > 0 && (i == MaxBatch || size > maxFrame) {
			return i
		}
	}
	return len(events)
}

// WriteList writes JSON texts as one JSON array.
func WriteList(b *bytes.Buffer, texts [][]byte) {
	b.WriteByte('[')
	for i, t := range texts {
		if i > 0 {
			b.WriteByte(',')
		}
		b.Write(t)
	}
	b.WriteByte(']')
}

// encode spells a message of the server's own making.
func encode(v any) []byte {
	text, err := json.Marshal(v)
	if err != nil {
		panic("room: a message of our own cannot be spelt: " + err.Error())
	}
	return text
}
