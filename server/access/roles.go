package access

import (
	"fmt"
	"slices"

	"buddyclock/protocol"
)

// roleGraceMs is how long after a change of roles events may still come with
// the old one, and how long before it with the new one: the change and a press
// can pass each other on the way, and clocks are not quite equal.
const roleGraceMs = 5_000

// Grant is a role that a device had or has in a pair. Times are shared ms.
type Grant struct {
	Role    string
	SinceMs int64
	UntilMs int64 // 0 while it lasts
	// Removed tells that the device is no longer trusted: its last role ends sharp.
	Removed bool
}

// covers tells whether an event is of the grant's time. What a device recorded
// alone, before it had any role, counts only in holds of its own making, as nobody
// else can have relied on those: otherwise one could take a role and answer for the
// past.
func (g Grant) covers(e *protocol.Event, nowMs int64, alone bool) bool {
	grace := int64(roleGraceMs)
	if g.Removed {
		grace = 0
	}
	if g.UntilMs != 0 && e.At > g.UntilMs+grace {
		return false
	}
	// A beginning in the future was noted by a host whose clock was wrong.
	return e.At >= g.SinceMs-roleGraceMs || g.SinceMs > nowMs || alone && protocol.DeviceOf(e.Hold) == protocol.DeviceOf(e.ID)
}

// MaySend tells whether a device with these grants, all that it ever had in a pair,
// may have recorded an event; nowMs is shared time.
// The event's `by` must be a role the device had at that time, and the role
// must be one that may record that kind.
func MaySend(grants []Grant, e *protocol.Event, nowMs int64) *protocol.Problem {
	if len(grants) == 0 {
		return &protocol.Problem{Code: "not-of-pair", Reason: fmt.Sprintf("the device %q does not belong to this pair", protocol.DeviceOf(e.ID))}
	}
	// Else a device that dived first and watched later would answer for its own dives.
	alone := !slices.ContainsFunc(grants, func(g Grant) bool { return e.At >= g.SinceMs })
	for _, g := range grants {
		if g.Role != e.By || !g.covers(e, nowMs, alone) {
			continue
		}
		if !protocol.MayRecord(g.Role, e.Kind) {
			return &protocol.Problem{Code: "role", Reason: fmt.Sprintf("a %s does not record %q", g.Role, e.Kind)}
		}
		return nil
	}
	return &protocol.Problem{Code: "role", Reason: fmt.Sprintf("the device was no %q in this pair at that time", e.By)}
}

// IsRole tells whether a text names one of the four roles.
func IsRole(s string) bool {
	switch s {
	case protocol.RoleDiver, protocol.RoleBuddy, protocol.RoleInstructor, protocol.RoleSiren:
		return true
	}
	return false
}
