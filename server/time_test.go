package server

import (
	"testing"
	"time"

	"github.com/benbjohnson/clock"
	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// Ensures that a time exchange carries the device's stamp back unchanged, with
// two of shared time, in order, and the clock's id.
func TestTimeExchange(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	last := buddy.welcome["server_ms"].(float64)
	for _, t1 := range []string{"0", "-5", "12.375", "1790000123456.789", "1e3"} {
		before := h.shared.NowMs()
		require.NoError(t, buddy.ws.WriteMessage(websocket.TextMessage, []byte(`{"type":"time","t1":`+t1+`}`)))
		_, frame, err := buddy.ws.ReadMessage()
		require.NoError(t, err)
		for string(frame[:15]) != `{"type":"time",` {
			_, frame, err = buddy.ws.ReadMessage()
			require.NoError(t, err)
		}
		require.Contains(t, string(frame), `"t1":`+t1+`,`)
		require.Regexp(t, `"t2":\d+\.\d{3},"t3":\d+\.\d{3},"clock_id":"`+buddy.welcome["clock_id"].(string)+`"`, string(frame))
		buddy.send(map[string]any{"type": "time", "t1": 1})
		m := buddy.next()
		for m["type"] != "time" {
			m = buddy.next()
		}
		t2, t3 := m["t2"].(float64), m["t3"].(float64)
		require.GreaterOrEqual(t, t2, float64(before))
		require.GreaterOrEqual(t, t3, t2)
		require.LessOrEqual(t, t3, float64(h.shared.NowMs()+1))
		require.GreaterOrEqual(t, t2, last)
		last = t3
	}
}

// Ensures that the answer to a time exchange never waits for the disk.
func TestTimeIsNeverBehindTheDisk(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	release := h.stallDisk()
	e := buddy.event("h", "look", h.shared.NowMs(), nil)
	buddy.offer(e)
	buddy.send(map[string]any{"type": "time", "t1": 1})
	buddy.until("the time", func() bool { return len(buddy.times) == 1 })
	require.Empty(t, buddy.stored)
	release()
	buddy.until("the receipt", func() bool { return buddy.hasStored(e["id"].(string)) })
}

// Ensures that nothing is acknowledged or shared before it is on disk.
func TestH08NothingIsSharedBeforeTheDisk(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver").connect(nil)
	release := h.stallDisk()
	e := buddy.event("h", "no-answer", h.shared.NowMs(), nil)
	buddy.offer(e)
	for n := range 20 {
		for _, d := range []*device{buddy, diver} {
			d.send(map[string]any{"type": "time", "t1": 1})
			d.until("the time", func() bool { return len(d.times) == n+1 })
		}
	}
	require.Empty(t, buddy.stored)
	require.False(t, diver.sees(e["id"].(string)))
	release()
	diver.until("the event", func() bool { return diver.sees(e["id"].(string)) })
	buddy.until("the receipt", func() bool { return buddy.hasStored(e["id"].(string)) })
}

// fakeMachine is a machine whose wall clock can be set and that can sleep.
type fakeMachine struct {
	*clock.Mock
	set, slept time.Duration
}

func (m *fakeMachine) shared() *SharedClock {
	return NewSharedClockOn(m.Mock,
		func() time.Time { return m.Now().Add(m.set + m.slept) },
		func() time.Duration { return m.slept })
}

// Ensures that shared time never steps while the machine is awake, however its
// wall clock is set, and that devices are told to measure it anew.
func TestH06SharedTimeIgnoresWallSteps(t *testing.T) {
	for _, step := range []time.Duration{time.Hour, -time.Hour, 300 * time.Millisecond, -300 * time.Millisecond} {
		m := &fakeMachine{Mock: clock.NewMock()}
		c := m.shared()
		start, id := c.NowUs()
		m.Add(10 * time.Second)
		m.set = step
		now, newID := c.NowUs()
		require.Equal(t, start+10_000_000, now, step)
		require.NotEqual(t, id, newID, step)
		m.Add(time.Second)
		later, sameID := c.NowUs()
		require.Equal(t, start+11_000_000, later)
		require.Equal(t, newID, sameID)
	}
}

// Ensures that small corrections of the wall clock are no reason to measure anew.
func TestSharedTimeBearsSmallCorrections(t *testing.T) {
	m := &fakeMachine{Mock: clock.NewMock()}
	c := m.shared()
	_, id := c.NowUs()
	for range 100 {
		m.Add(time.Second)
		m.set += 200 * time.Millisecond
		_, now := c.NowUs()
		require.Equal(t, id, now)
	}
}

// Ensures that shared time goes on over a sleep of the machine, under a new id:
// the hold went on too.
func TestH06SharedTimeGoesOnOverASleep(t *testing.T) {
	m := &fakeMachine{Mock: clock.NewMock()}
	c := m.shared()
	start, id := c.NowUs()
	m.Add(10 * time.Second)
	m.slept = 90 * time.Second
	now, newID := c.NowUs()
	require.Equal(t, start+100_000_000, now)
	require.NotEqual(t, id, newID)
	m.Add(time.Second)
	require.Equal(t, (start+101_000_000)/1000, c.NowMs())
}

// Ensures that shared time goes on from where the log ends if the machine comes back with its wall clock behind that,
// but for a log from so far ahead that it is the log which is wrong.
func TestH08SharedTimeGoesOnFromTheLog(t *testing.T) {
	for _, c := range []struct{ behind, want time.Duration }{
		{-time.Minute, 0}, {0, 0}, {time.Millisecond, time.Millisecond}, {time.Hour, time.Hour}, {24 * time.Hour, 24 * time.Hour},
		{24*time.Hour + time.Millisecond, 0},
	} {
		m := &fakeMachine{Mock: clock.NewMock()}
		m.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
		shared := m.shared()
		shared.GoOnFrom(m.Now().Add(c.behind).UnixMilli())
		require.Equal(t, m.Now().Add(c.want).UnixMilli(), shared.NowMs(), c.behind)
		m.Add(time.Second)
		require.Equal(t, m.Now().Add(c.want).UnixMilli(), shared.NowMs(), c.behind)
	}
}

// Ensures that the system's own figure of how long it slept can be read, and
// stands still while it is awake.
func TestSleptSoFarStandsStill(t *testing.T) {
	a := sleptSoFar()
	b := sleptSoFar()
	require.GreaterOrEqual(t, a, time.Duration(0)-time.Millisecond)
	require.InDelta(t, a, b, float64(50*time.Millisecond))
}

// Ensures that a host whose clock came back behind its log takes the time that its devices kept, at once and by at most
// half an hour; one whose clock is right takes nobody's word.
func TestH08SharedTimeCatchesUpWithItsDevices(t *testing.T) {
	m := &fakeMachine{Mock: clock.NewMock()}
	m.Set(time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC))
	shared := m.shared()
	now := m.Now().UnixMilli()
	shared.GoOnFrom(now)
	require.False(t, shared.CatchUp(now+25_000), "its clock is right")

	shared.GoOnFrom(now + 60_000)
	now += 60_000
	_, id := shared.NowUs()
	require.False(t, shared.CatchUp(now))
	require.False(t, shared.CatchUp(now+1_800_001), "longer than any hold")
	_, same := shared.NowUs()
	require.Equal(t, id, same)
	require.True(t, shared.CatchUp(now+25_000))
	require.Equal(t, now+25_000, shared.NowMs())
	_, other := shared.NowUs()
	require.NotEqual(t, id, other, "offsets to the time before are void")
	m.Add(time.Second)
	require.Equal(t, now+26_000, shared.NowMs())
	require.False(t, shared.CatchUp(now+26_000+1_775_001), "no further in all")
	require.True(t, shared.CatchUp(now+26_000+1_775_000))
}

// Ensures that in a hold that goes on over a restart with a wrong clock each press is taken and passed on at once.
func TestH08PressesPassAtOnceThoughTheHostComesBackBehind(t *testing.T) {
	h := newHost(t)
	buddy := h.join("new", "buddy").connect(nil)
	diver := h.join(buddy.pair, "diver")
	hold := buddy.id + "-h01"
	now := h.shared.NowMs()
	buddy.record(hold, "start", now, nil)
	h.stop()

	clk := clock.NewMock() // its machine has forgotten the time
	clk.Set(time.UnixMilli(now).Add(-time.Hour))
	shared := NewSharedClock(clk)
	shared.GoOnFrom(now)
	h2 := startHostWith(t, h.dir, clk, shared)
	buddy.h, diver.h = h2, h2
	buddy.connect(map[string]int64{buddy.id: 1})
	diver.connect(nil)
	e := buddy.record(hold, "asked", now+40_000, nil)
	diver.until("the press", func() bool { return diver.sees(e["id"].(string)) })
	require.Empty(t, buddy.refused)
	require.GreaterOrEqual(t, shared.NowMs(), now+40_000)
	unsealed := buddy.event(hold, "answered", now+400_000, nil)
	diver.offer(unsealed)
	diver.until("a refusal", func() bool { return diver.wasRefused(unsealed["id"].(string)) })
	require.Less(t, shared.NowMs(), now+60_000, "nobody else is believed")
}
