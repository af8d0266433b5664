package store

import (
	"crypto/sha256"
	"encoding/binary"
)

const (
	// applicationID marks a SQLite file as ours ("Bddy").
	applicationID = 0x42646479
	// formatVersion is raised whenever an older program could no longer read the
	// file. Since 2 its newest events may stand in a journal beside it.
	formatVersion = 2
	// oldestVersion is what is still read, and raised when it is opened to be written.
	oldestVersion = 1
)

// schema is the whole data file. Events are only ever added; all else is small
// or can be worked out again from them.
const schema = `
CREATE TABLE session (
  id         TEXT PRIMARY KEY,
  started_ms INTEGER NOT NULL,
  ended_ms   INTEGER
) STRICT, WITHOUT ROWID;

CREATE TABLE pair (
  id      TEXT PRIMARY KEY,
  session TEXT NOT NULL REFERENCES session(id),
  number  INTEGER NOT NULL,
  made_ms INTEGER NOT NULL,
  UNIQUE (session, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE device (
  id         TEXT PRIMARY KEY,
  session    TEXT NOT NULL REFERENCES session(id),
  pair       TEXT NOT NULL,          -- '' for an instructor of the whole session
  role       TEXT NOT NULL,
  name       TEXT NOT NULL,
  token      BLOB NOT NULL UNIQUE,   -- SHA-256 of the token, never the token
  joined_ms  INTEGER NOT NULL,
  removed_ms INTEGER
) STRICT, WITHOUT ROWID;
CREATE INDEX device_pair ON device(session, pair);

-- What a device was in a pair, and until when: an event from before a change
-- of roles may arrive after it.
CREATE TABLE membership (
  device   TEXT NOT NULL REFERENCES device(id),
  pair     TEXT NOT NULL,
  role     TEXT NOT NULL,
  since_ms INTEGER NOT NULL,
  until_ms INTEGER
) STRICT;
CREATE INDEX membership_pair ON membership(pair);
CREATE INDEX membership_device ON membership(device);

CREATE TABLE event (
  seq       INTEGER PRIMARY KEY,     -- order of arrival
  id        TEXT NOT NULL,           -- device, '-' and counter
  pair      TEXT NOT NULL,
  hold      TEXT NOT NULL,
  kind      TEXT NOT NULL,
  device    TEXT NOT NULL,
  counter   INTEGER NOT NULL,
  at        INTEGER NOT NULL,
  stored_ms INTEGER NOT NULL,
  body      BLOB NOT NULL,
  sum       BLOB NOT NULL            -- checksum of the columns above but seq
) STRICT;
-- This alone keeps ids apart. Files of before also have an index of id.
CREATE UNIQUE INDEX event_device ON event(device, counter);
CREATE INDEX event_hold ON event(pair, hold);
CREATE INDEX event_plan ON event(pair, at) WHERE kind = 'plan';
` + erasedSchema

// erasedSchema tells which events were erased, so that a phone that still has
// one cannot bring it back. It holds nothing of what they said. Files of before
// get it when they are opened.
const erasedSchema = `
CREATE TABLE IF NOT EXISTS erased (
  device    TEXT NOT NULL,
  counter   INTEGER NOT NULL,
  pair      TEXT NOT NULL,
  erased_ms INTEGER NOT NULL,
  PRIMARY KEY (device, counter)
) STRICT, WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS erased_pair ON erased(pair);
`

// additions are tables that came later. A file without them gets them when it is
// opened; an older program leaves them alone.
const additions = `
-- What an instructor set for all pairs of a session: a JSON object.
CREATE TABLE IF NOT EXISTS outing (
  session  TEXT PRIMARY KEY REFERENCES session(id),
  settings BLOB NOT NULL
) STRICT, WITHOUT ROWID;
`

// journalSchema ties the journal of the newest events to the file.
const journalSchema = `
CREATE TABLE IF NOT EXISTS journal (
  id     BLOB NOT NULL,              -- that of its records
  folded INTEGER NOT NULL            -- number of the last record whose events are in the file
) STRICT;
INSERT INTO journal (id, folded) SELECT randomblob(8), 0 WHERE NOT EXISTS (SELECT 1 FROM journal);
`

// row is one stored event as it stands in the file.
type row struct {
	seq                          int64 // order of arrival
	id, pair, hold, kind, device string
	counter, at, storedMs        int64
	body                         []byte
}

func (r *row) key() eventKey { return eventKey{r.device, r.counter} }

// sum is the row's checksum: the first 8 bytes of SHA-256 over its fields, each
// with its length before it so that no two rows spell the same bytes.
func (r *row) sum() []byte {
	var room [512]byte // enough for almost all
	b := room[:0]
	for _, s := range [...]string{r.id, r.pair, r.hold, r.kind, r.device} {
		b = append(binary.BigEndian.AppendUint64(b, uint64(len(s))), s...)
	}
	for _, v := range [...]int64{r.counter, r.at, r.storedMs} {
		b = binary.BigEndian.AppendUint64(b, uint64(v))
	}
	sum := sha256.Sum256(append(b, r.body...))
	return sum[:8]
}
