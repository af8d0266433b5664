package server

import (
	"context"
	"errors"
	"time"

	"buddyclock/server/store"
)

// wipeAgainAfter is the time until what an erase left in the host's files is tried
// once more.
const wipeAgainAfter = time.Minute

// noneInHold refuses what keeps the disk busy while people are at a hold.
func (s *Server) noneInHold(ctx context.Context) error {
	busy, err := s.rooms.InHold(ctx)
	if err == nil && busy {
		err = problem("in-hold", "a pair is in a hold: erase when nobody is")
	}
	return err
}

// wipe takes out of the host's files what an erase left there; it does nothing
// where all is done.
func (s *Server) wipe(ctx context.Context) error {
	owed, err := s.store.WipeOwed(ctx)
	if err != nil || !owed {
		return err
	}
	if err := s.noneInHold(ctx); err != nil {
		return err
	}
	err = s.store.Wipe(ctx)
	var left *store.NotWipedError
	if errors.As(err, &left) {
		return s.notWiped(left)
	}
	return err
}

// notWiped is the answer to an erase that is not through; it will be tried again.
func (s *Server) notWiped(left *store.NotWipedError) error {
	s.log.Error("copies of what was erased may still be in files of the data folder: this is tried again while nobody is in a hold", "reason", left.Err)
	s.wipeLater()
	return problem("not-wiped", "it is erased, but copies may still be in files of the host, which tries again to remove them: erase once more to hear whether they are gone")
}

// wipeLater has it tried again until nothing is left to wipe, or the server ends.
func (s *Server) wipeLater() {
	if s.wiping.CompareAndSwap(false, true) {
		s.clk.AfterFunc(wipeAgainAfter, s.wipeAgain)
	}
}

func (s *Server) wipeAgain() {
	select {
	case <-s.ending:
		return
	default:
	}
	ctx := context.Background()
	err := s.noneInHold(ctx)
	if err == nil {
		err = s.store.Wipe(ctx)
	}
	s.wiping.Store(false)
	if err != nil {
		s.wipeLater()
		return
	}
	s.log.Info("what was erased is out of the files of the data folder")
}
