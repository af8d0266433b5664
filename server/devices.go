package server

import (
	"errors"
	"net/http"
	"slices"
	"sync"

	"github.com/benbjohnson/clock"

	"buddyclock/server/store"
)

// here are the devices that are connected and welcomed, and how much each
// device has sent.
type here struct {
	clk clock.Clock

	mu    sync.Mutex
	links map[string][]*incoming // by device, oldest first
	paces map[string]*pace
}

func newHere(clk clock.Clock) *here {
	return &here{clk: clk, links: map[string][]*incoming{}, paces: map[string]*pace{}}
}

// add notes a socket of a device. One too many has the oldest cut.
func (h *here) add(in *incoming) {
	h.mu.Lock()
	defer h.mu.Unlock()
	list := append(h.links[in.member.Device], in)
	if len(list) > maxSocketsOfDevice {
		list[0].cut()
	}
	h.links[in.member.Device] = list
}

func (h *here) remove(in *incoming) {
	h.mu.Lock()
	defer h.mu.Unlock()
	list := slices.DeleteFunc(h.links[in.member.Device], func(one *incoming) bool { return one == in })
	if h.links[in.member.Device] = list; len(list) == 0 {
		delete(h.links, in.member.Device)
	}
}

// of gives the sockets of a device.
func (h *here) of(device string) []*incoming {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.links[device])
}

func (h *here) all() []*incoming {
	h.mu.Lock()
	defer h.mu.Unlock()
	var all []*incoming
	for _, list := range h.links {
		all = append(all, list...)
	}
	return all
}

// paceOf gives the one pace of a device, over all its sockets and requests.
func (h *here) paceOf(device string) *pace {
	h.mu.Lock()
	defer h.mu.Unlock()
	p := h.paces[device]
	if p == nil {
		p = newPace(h.clk)
		h.paces[device] = p
	}
	return p
}

type listedDevice struct {
	Device   string `json:"device"`
	Role     string `json:"role"`
	Name     string `json:"name"`
	Pair     string `json:"pair"`   // "" for one of the whole outing
	Number   int    `json:"number"` // of the pair, or 0
	JoinedMs int64  `json:"joined_ms"`
	Here     bool   `json:"here"` // whether it has a socket open
}

// apiDevices lists the outing's devices to any of its members.
func (s *Server) apiDevices(r *http.Request, fields object) (any, error) {
	token, err := fields.text("token", 128)
	if err != nil {
		return nil, err
	}
	ctx := r.Context()
	d, err := s.deviceOf(ctx, token)
	if err != nil {
		return nil, err
	}
	pairs, err := s.store.Pairs(ctx, d.Session)
	if err != nil {
		return nil, err
	}
	numbers := map[string]int{}
	for _, p := range pairs {
		numbers[p.ID] = p.Number
	}
	devices, err := s.store.Devices(ctx, d.Session)
	if err != nil {
		return nil, err
	}
	list := []listedDevice{}
	for _, d := range devices {
		list = append(list, listedDevice{d.ID, d.Role, d.Name, d.Pair, numbers[d.Pair], d.JoinedMs, len(s.here.of(d.ID)) > 0})
	}
	return map[string]any{"devices": list}, nil
}

// apiRemove takes a device out of the outing: a lost phone, or a stranger's.
func (s *Server) apiRemove(r *http.Request, fields object) (any, error) {
	if _, err := s.instructorIn(r, fields); err != nil {
		return nil, err
	}
	id, err := fields.text("device", 64)
	if err != nil {
		return nil, err
	}
	d, err := s.store.Device(r.Context(), id)
	if errors.Is(err, store.ErrUnknown) || err == nil && d.Session != s.session.ID {
		return nil, problem("no-device", "this device is not of the present outing")
	}
	if err != nil {
		return nil, err
	}
	if err := s.store.Remove(d.ID); err != nil {
		return nil, err
	}
	s.refresh(r.Context(), d)
	// Not all of its sockets need have a place in a pair.
	for _, in := range s.here.of(d.ID) {
		in.Part("removed")
	}
	return struct{}{}, nil
}

// apiPair makes a pair without devices, which phones join or are offered.
func (s *Server) apiPair(r *http.Request, fields object) (any, error) {
	if _, err := s.instructorIn(r, fields); err != nil {
		return nil, err
	}
	if err := s.goesOn(); err != nil {
		return nil, err
	}
	p, err := s.addPair(r.Context())
	if err != nil {
		return nil, err
	}
	return struct {
		Pair   string `json:"pair"`
		Number int    `json:"number"`
	}{p.ID, p.Number}, nil
}
