// Package access decides who may come in and who may say what: join secrets,
// typed codes, device tokens, rates per address, and roles.
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"strings"

	"buddyclock/protocol"
)

// Alphabet holds the 32 signs of ids and codes: digits and letters without
// those that are mistaken for each other (i, l, o, u), as Crockford chose them.
const Alphabet = "0123456789abcdefghjkmnpqrstvwxyz"

// DeviceIDLength is the length of a device id in signs of Alphabet.
const DeviceIDLength = 10

// NewID makes a random id of DeviceIDLength signs, for sessions and pairs.
func NewID() string { return randomSigns(DeviceIDLength) }

// IsDeviceID tells whether a text has the form of a device id.
func IsDeviceID(s string) bool {
	return len(s) == DeviceIDLength && strings.Trim(s, Alphabet) == ""
}

// IsEventID tells whether a text is an event id in its one spelling: a device
// id, '-' and a counter from 1 in six digits or more.
func IsEventID(s string) bool {
	n, ok := protocol.CounterOf(s)
	device := protocol.DeviceOf(s)
	if !ok || n < 1 || !IsDeviceID(device) {
		return false
	}
	digits := s[len(device)+1:]
	return len(digits) == 6 || len(digits) > 6 && digits[0] != '0'
}

// NewSecret makes a join secret of 128 random bits, fit for a URL.
func NewSecret() string { return randomText(16) }

// NewToken makes a device's token of 256 random bits, and the hash under which
// alone it is kept. A plain hash is enough: the token cannot be guessed.
func NewToken() (token string, hash []byte) {
	token = randomText(32)
	return token, HashToken(token)
}

// HashToken gives the hash under which a token is kept.
func HashToken(token string) []byte {
	sum := sha256.Sum256([]byte(token))
	return sum[:]
}

// Same compares a secret with what somebody sent, in a time that tells nothing.
func Same(secret, sent string) bool {
	return subtle.ConstantTimeCompare([]byte(secret), []byte(sent)) == 1
}

func randomText(bytes int) string {
	b := make([]byte, bytes)
	rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b)
}

func randomSigns(n int) string {
	b := make([]byte, n)
	rand.Read(b)
	for i := range b {
		b[i] = Alphabet[b[i]&31]
	}
	return string(b)
}
