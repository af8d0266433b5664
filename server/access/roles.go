package access

import (
	"fmt"

	"buddyclock/protocol"
)

// roleGraceMs is how long after a change of roles events may still come with
// the old one: the change and a press can pass each other on the way.
const roleGraceMs = 5_000

// Grant is a role that a device had or has in a pair. Times are shared ms.
type Grant struct {
	Role    string
	UntilMs int64 // 0 while it lasts
}

// MaySend tells whether a device with these grants may have recorded an event.
// The event's `by` must be a role the device had at that time, and the role
// must be one that may record that kind.
func MaySend(grants []Grant, e *protocol.Event) *protocol.Problem {
	if len(grants) == 0 {
		return &protocol.Problem{Code: "not-of-pair", Reason: fmt.Sprintf("the device %q does not belong to this pair", protocol.DeviceOf(e.ID))}
	}
	for _, g := range grants {
		if g.Role != e.By || (g.UntilMs != 0 && e.At > g.UntilMs+roleGraceMs) {
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
