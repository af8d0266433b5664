package store

import "database/sql"

// SQLite folds its log into the file from time to time, and waits for the disk
// twice to do so. By itself it would do that in a commit, and everybody whose
// event is in the next one would wait along. So it is done beside the commits,
// and only what is left of it where the log has grown long is done in one: a log
// begins anew only when all of it is in the file.
const (
	// foldEvery is after how many commits the log is folded in.
	foldEvery = 128
	// longLog is the log's length in pages from which on commits do it too.
	longLog = 4000
)

// logFolder folds the log into the file, on a connection of its own, whenever it is
// poked.
type logFolder struct {
	db      *sql.DB
	commits int // since the last time; the committer's
	due     chan struct{}
	done    chan struct{}
}

func newLogFolder(path string) (*logFolder, error) {
	db, err := openDB(path, "rw", durable...)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	f := &logFolder{db: db, due: make(chan struct{}, 1), done: make(chan struct{})}
	go f.run()
	return f, nil
}

func (f *logFolder) run() {
	defer close(f.done)
	for range f.due {
		// Where it fails the log is merely longer, and the next commit has the error.
		_, _ = f.db.Exec("PRAGMA wal_checkpoint(PASSIVE)")
	}
}

// committed counts a commit. It never waits.
func (f *logFolder) committed() {
	if f.commits++; f.commits < foldEvery {
		return
	}
	f.commits = 0
	select {
	case f.due <- struct{}{}:
	default:
	}
}

// close waits for what is under way. Nothing may be committed any more.
func (f *logFolder) close() error {
	close(f.due)
	<-f.done
	return f.db.Close()
}
