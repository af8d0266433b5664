package access

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"

	"buddyclock/protocol"
)

// A phone hands on what another phone of its pair recorded, for when that one is
// gone for good. So that it cannot make up what it hands on, each event carries
// a seal in its field `mac`, which only the recording device and the server can
// make: HMAC-SHA256 with a key derived from the device's token.

// sealLabel keeps this use of a token's hash apart from any other.
const sealLabel = "buddyclock event 1"

// sealBytes is how much of the HMAC a seal holds: forging one takes 2^128 tries.
const sealBytes = 16

// Seal gives the `mac` of an event recorded by the device with this token.
func Seal(token string, e protocol.Event) (string, error) { return seal(HashToken(token), e) }

// Sealed tells whether an event was recorded by the device of a token, of which
// only the hash is known here.
func Sealed(tokenHash []byte, e protocol.Event) bool {
	var fields map[string]json.RawMessage
	var mac string
	if json.Unmarshal(e.Encode(), &fields) != nil || json.Unmarshal(fields["mac"], &mac) != nil {
		return false
	}
	want, err := seal(tokenHash, e)
	return err == nil && Same(want, mac)
}

func seal(tokenHash []byte, e protocol.Event) (string, error) {
	key := hmac.New(sha256.New, tokenHash)
	key.Write([]byte(sealLabel))
	text, err := canonical(e.Encode())
	if err != nil {
		return "", err
	}
	h := hmac.New(sha256.New, key.Sum(nil))
	h.Write(text)
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil)[:sealBytes]), nil
}

// canonical spells an event without its `mac` so that equal events are equal
// bytes, whatever order, spaces and number spellings they came with: keys sorted
// by their UTF-8 bytes, strings as their length in bytes and the bytes, numbers
// as the 16 hex digits of the IEEE 754 double.
func canonical(event []byte) ([]byte, error) {
	// Through Unmarshal, as keys may stand twice and the last one counts.
	var fields map[string]any
	if err := json.Unmarshal(event, &fields); err != nil {
		return nil, fmt.Errorf("the event cannot be sealed: %w", err)
	}
	delete(fields, "mac")
	var b bytes.Buffer
	writeCanonical(&b, fields)
	return b.Bytes(), nil
}

func writeCanonical(b *bytes.Buffer, v any) {
	switch v := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		b.WriteByte('{')
		for _, k := range keys {
			writeCanonical(b, k)
			writeCanonical(b, v[k])
		}
		b.WriteByte('}')
	case []any:
		b.WriteByte('[')
		for _, one := range v {
			writeCanonical(b, one)
		}
		b.WriteByte(']')
	case string:
		b.WriteByte('"')
		b.WriteString(strconv.Itoa(len(v)))
		b.WriteByte(':')
		b.WriteString(v)
	case float64:
		if v == 0 {
			v = 0 // not -0
		}
		fmt.Fprintf(b, "#%016x", math.Float64bits(v))
	case bool:
		b.WriteByte(map[bool]byte{true: 't', false: 'f'}[v])
	case nil:
		b.WriteByte('n')
	}
}
