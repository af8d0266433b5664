package logbook

import (
	"context"
	"sync"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// Lines keeps the lines of the log of holds that are over, in memory alone, so
// that thousands of them are not worked out anew for everybody who asks.
type Lines struct {
	st    *store.Store
	where protocol.Locale

	mu   sync.Mutex
	kept map[store.HoldRef]protocol.LogHold
}

// NewLines makes an empty memory of lines. where is for their days.
func NewLines(st *store.Store, where protocol.Locale) *Lines {
	return &Lines{st: st, where: where, kept: map[store.HoldRef]protocol.LogHold{}}
}

// Of gives the lines that a scope covers, in the order in which the holds came.
func (l *Lines) Of(ctx context.Context, scope Scope, nowMs int64) ([]protocol.LogHold, error) {
	c, err := choose(ctx, l.st, scope)
	if err != nil {
		return nil, err
	}
	counts, err := l.st.EventCounts(ctx, scope.Pair)
	if err != nil {
		return nil, err
	}
	lines := []protocol.LogHold{}
	for _, ref := range c.holds {
		l.mu.Lock()
		line, there := l.kept[ref]
		l.mu.Unlock()
		if !there || line.Events != counts[ref] {
			hold, err := foldHold(ctx, l.st, ref)
			if err != nil {
				return nil, err
			}
			made := protocol.LogHoldOf(hold, nowMs, l.where)
			if made == nil {
				continue
			}
			line = *made
			if line.Over {
				l.mu.Lock()
				l.kept[ref] = line
				l.mu.Unlock()
			}
		}
		lines = append(lines, line)
	}
	return lines, nil
}

// Forget drops all lines, after something was erased.
func (l *Lines) Forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	clear(l.kept)
}
