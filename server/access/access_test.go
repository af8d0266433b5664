package access

import (
	"fmt"
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
)

// Ensures that an address has its burst, then its pace, and no more after a long
// pause.
func TestLimiter(t *testing.T) {
	mock := clock.NewMock()
	l := NewLimiter(mock, 5, 12*time.Second)
	count := func(addr string) (n int) {
		for l.Allow(addr) {
			n++
		}
		return n
	}
	require.Equal(t, 5, count("192.0.2.1:1000"))
	require.Equal(t, 5, count("192.0.2.2:1000"), "another address")
	require.False(t, l.Allow("192.0.2.1:2000"), "another port is the same address")
	require.False(t, l.Allow("[::ffff:192.0.2.1]:1000"), "nor does another spelling help")
	mock.Add(12*time.Second - 1)
	require.False(t, l.Allow("192.0.2.1:1000"))
	mock.Add(1)
	require.Equal(t, 1, count("192.0.2.1:1000"))
	mock.Add(24 * time.Hour)
	require.Equal(t, 5, count("192.0.2.1:1000"))

	require.Equal(t, 5, count("[2001:db8::1]:1"))
	require.False(t, l.Allow("[2001:db8::2]:1"), "one device can take any address of its /64")
	require.True(t, l.Allow("[2001:db8:0:1::1]:1"))
}

// Ensures that a flood from many addresses takes bounded memory and passes.
func TestLimiterIsBounded(t *testing.T) {
	mock := clock.NewMock()
	l := NewLimiter(mock, 1, time.Second)
	for i := range 2 * maxAddresses {
		l.Allow(fmt.Sprintf("10.%d.%d.%d:1", i>>16, i>>8&255, i&255))
	}
	require.Len(t, l.full, maxAddresses)
	require.False(t, l.Allow("192.0.2.1:1"))
	mock.Add(time.Second)
	require.True(t, l.Allow("192.0.2.1:1"))
	require.Less(t, len(l.full), maxAddresses)
}

// Ensures that a code shown late is still good for a while, and that the one
// before it is not cut short by it.
func TestCodesOverlap(t *testing.T) {
	mock := clock.NewMock()
	c := NewCodes(mock)
	require.False(t, c.Try("ABCDEF"), "there is no code before one is shown")
	first, left := c.Show()
	require.Equal(t, CodeLife, left)
	mock.Add(CodeLife - codeFresh)
	same, left := c.Show()
	require.Equal(t, first, same)
	require.Equal(t, codeFresh, left)
	mock.Add(1)
	second, left := c.Show()
	require.NotEqual(t, first, second)
	require.Equal(t, CodeLife, left)
	require.True(t, c.Try(first))
	mock.Add(codeFresh - 1)
	require.False(t, c.Try(first))
	require.True(t, c.Try(second))
}

// Ensures that what people mistake for each other is the same.
func TestCodesForgiveReading(t *testing.T) {
	require.Equal(t, "10A1Z0", normalize("lo-a i z O"))
}

// Ensures that ids and secrets have the length that makes them unguessable.
func TestSecretsAreLong(t *testing.T) {
	token, hash := NewToken()
	require.Len(t, token, 43) // 256 bits in base64
	require.Equal(t, HashToken(token), hash)
	require.Len(t, NewSecret(), 22) // 128 bits
	require.NotEqual(t, NewSecret(), NewSecret())
	for range 100 {
		require.True(t, IsDeviceID(NewID()))
	}
	for _, id := range []string{"", "abcdefghj", "abcdefghjkm", "abcdefghiJ", "abcde-ghjk", "abcdefghil"} {
		require.False(t, IsDeviceID(id), id)
	}
}

// Ensures that a role counts for events of its own time, with a short grace.
func TestH11RolesHaveTheirTime(t *testing.T) {
	grants := []Grant{
		{Role: "buddy", UntilMs: 10_000}, {Role: "diver"}, {Role: "instructor", SinceMs: 500_000, UntilMs: 600_000, Removed: true},
		{Role: "siren", SinceMs: 2_000_000},
	}
	for _, c := range []struct {
		by, kind string
		at       int64
		code     string
		hold     string
	}{
		{"buddy", "look", 9_000, "", "h"},
		{"buddy", "look", 15_000, "", "h"},
		{"buddy", "look", 15_001, "role", "h"},
		{"diver", "answered", 99_000, "", "h"},
		{"diver", "look", 9_000, "role", "h"},
		{"instructor", "note", 9_000, "role", "h"},
		{"", "note", 9_000, "role", "h"},
		{"instructor", "plan", 494_999, "role", "h"}, // before it had the role
		{"instructor", "plan", 495_000, "", "h"},
		{"instructor", "plan", 9_000, "role", "aaaaaaaaaa-h01"}, // of its own making, but it was the diver then
		{"instructor", "plan", 600_000, "", "h"},
		{"instructor", "plan", 600_001, "role", "h"}, // removed: no grace
		{"siren", "sounded", 9_000, "", "h"},         // the host's clock was wrong then
	} {
		p := MaySend(grants, &protocol.Event{ID: "aaaaaaaaaa-000001", Kind: c.kind, By: c.by, At: c.at, Hold: c.hold}, 1_000_000)
		if c.code == "" {
			require.Nil(t, p, "%+v", c)
			continue
		}
		require.NotNil(t, p, "%+v", c)
		require.Equal(t, c.code, p.Code)
	}
	require.Equal(t, "not-of-pair", MaySend(nil, &protocol.Event{ID: "aaaaaaaaaa-000001", Kind: "note", By: "buddy"}, 0).Code)
}

// Ensures that what a device recorded alone is taken in holds of its own making, and only from before it had any role in the
// pair: the diver's phone that became the buddy's does not answer for its own dives.
func TestH11NobodyAnswersForThePast(t *testing.T) {
	const since = 500_000
	diver := Grant{Role: "diver", SinceMs: since, UntilMs: 800_000}
	buddy := Grant{Role: "buddy", SinceMs: 800_000}
	const own, others = "aaaaaaaaaa-h01", "bbbbbbbbbb-h01"
	for _, c := range []struct {
		why    string
		grants []Grant
		at     int64
		hold   string
		code   string
	}{
		{"alone, before it joined", []Grant{{Role: "buddy", SinceMs: since}}, 9_000, own, ""},
		{"the same in somebody else's hold", []Grant{{Role: "buddy", SinceMs: since}}, 9_000, others, "role"},
		{"alone, before both roles", []Grant{diver, buddy}, since - 1, own, ""},
		{"it was the diver from that ms on", []Grant{diver, buddy}, since, own, "role"},
		{"it was the diver", []Grant{diver, buddy}, 700_000, own, "role"},
		{"whatever the order of the roles", []Grant{buddy, diver}, 700_000, own, "role"},
		{"a press on its way", []Grant{diver, buddy}, 795_000, own, ""},
		{"it was nothing for a while", []Grant{{Role: "diver", SinceMs: since, UntilMs: 600_000}, buddy}, 700_000, own, "role"},
		{"a host whose clock was ahead", []Grant{{Role: "buddy", SinceMs: 2_000_000}}, 9_000, others, ""},
	} {
		p := MaySend(c.grants, &protocol.Event{ID: "aaaaaaaaaa-000001", Kind: "answered", By: "buddy", At: c.at, Hold: c.hold}, 1_000_000)
		if c.code == "" {
			require.Nil(t, p, c.why)
			continue
		}
		require.NotNil(t, p, c.why)
		require.Equal(t, c.code, p.Code, c.why)
	}
}
