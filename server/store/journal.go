package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"

	"buddyclock/protocol"
	"buddyclock/server/folder"
)

// The newest events stand in a journal, two files beside the data file, until
// they are folded into that. So an event waits for one write to the disk and
// nothing else, whatever is done to the data file meanwhile, and thousands of
// events share the work on its tables.
//
// A journal's file is a row of records, each with the events of one wait for the
// disk. Records are numbered without a gap, and begin at whole blocks, so that
// writing one touches no other. The data file tells the number up to which they
// are folded in. Then their file is written anew from its beginning, and what is
// left of them is passed over by their numbers.

// journalSuffixes name the files of a journal, after the data file's name. That
// is not "-journal", which SQLite takes for its own.
var journalSuffixes = [2]string{"-recent-a", "-recent-b"}

const (
	recordMagic = "BdyR"
	// recordHeadBytes is the size of a record's head: the magic, the length of what
	// follows (4 bytes), the number (8), the data file's id (8), the head's checksum
	// (CRC-32C, 4) and that of what follows (the first 16 bytes of its SHA-256).
	recordHeadBytes = 44
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// journalID tells a data file's journal from another's.
type journalID [8]byte

// recordBytes gives the size of a record.
func recordBytes(rows []*row) int {
	size := recordHeadBytes
	for _, r := range rows {
		size += 14 + len(r.pair) + len(r.body)
	}
	return wholeBlocks(size)
}

// appendRecord spells a record, filled up to whole blocks. Of each event it has
// the pair, the shared time of its coming (ms), and its text.
func appendRecord(b []byte, id journalID, number int64, rows []*row) []byte {
	begin := len(b)
	b = append(b, make([]byte, recordHeadBytes)...)
	for _, r := range rows {
		b = binary.BigEndian.AppendUint16(b, uint16(len(r.pair)))
		b = append(b, r.pair...)
		b = binary.BigEndian.AppendUint64(b, uint64(r.storedMs))
		b = binary.BigEndian.AppendUint32(b, uint32(len(r.body)))
		b = append(b, r.body...)
	}
	head, events := b[begin:][:recordHeadBytes], b[begin+recordHeadBytes:]
	copy(head, recordMagic)
	binary.BigEndian.PutUint32(head[4:], uint32(len(events)))
	binary.BigEndian.PutUint64(head[8:], uint64(number))
	copy(head[16:], id[:])
	binary.BigEndian.PutUint32(head[24:], crc32.Checksum(head[:24], castagnoli))
	sum := sha256.Sum256(events)
	copy(head[28:], sum[:])
	return append(b, make([]byte, wholeBlocks(len(b)-begin)-(len(b)-begin))...)
}

// readHead gives the number and the length of a record, and its events' checksum;
// false where there is no record of that data file.
func readHead(head []byte, id journalID) (number, length int64, sum []byte, ok bool) {
	if string(head[:4]) != recordMagic || journalID(head[16:24]) != id || binary.BigEndian.Uint32(head[24:]) != crc32.Checksum(head[:24], castagnoli) {
		return 0, 0, nil, false
	}
	return int64(binary.BigEndian.Uint64(head[8:])), int64(binary.BigEndian.Uint32(head[4:])), head[28:recordHeadBytes], true
}

// record is one record of a journal.
type record struct {
	number int64
	rows   []*row
}

// readRecords gives the sound records of a file with numbers above folded. What
// is broken it passes over: their numbers tell whether any is missing.
func readRecords(in io.ReaderAt, size int64, id journalID, folded int64) (records []record, err error) {
	head := make([]byte, recordHeadBytes)
	for at := int64(0); at+recordHeadBytes <= size; {
		if _, err := in.ReadAt(head, at); err != nil {
			return nil, err
		}
		at += blockBytes
		number, length, sum, ok := readHead(head, id)
		if !ok || length == 0 || length > size-at+blockBytes-recordHeadBytes {
			continue
		}
		events := make([]byte, length)
		if _, err := in.ReadAt(events, at-blockBytes+recordHeadBytes); err != nil {
			return nil, err
		}
		rows, sound := readRecord(events, sum)
		if !sound {
			continue
		}
		if number > folded {
			records = append(records, record{number, rows})
		}
		at += (recordHeadBytes + length - 1) / blockBytes * blockBytes
	}
	return records, nil
}

// readRecord reads the events of a record.
func readRecord(events, sum []byte) (rows []*row, sound bool) {
	if is := sha256.Sum256(events); !bytes.Equal(is[:len(sum)], sum) {
		return nil, false
	}
	take := func(n int) []byte {
		if n > len(events) {
			sound = false
			return make([]byte, 8)
		}
		part := events[:n:n]
		events = events[n:]
		return part
	}
	for sound = true; sound && len(events) > 0; {
		pair := string(take(int(binary.BigEndian.Uint16(take(2)))))
		storedMs := int64(binary.BigEndian.Uint64(take(8)))
		body := take(int(binary.BigEndian.Uint32(take(4))))
		e, err := protocol.Decode(body)
		if !sound || err != nil {
			return nil, false
		}
		r, ok := rowOf(pair, storedMs, &e)
		if !ok {
			return nil, false
		}
		rows = append(rows, &r)
	}
	return rows, sound
}

// journalHead is what a data file says of its journal.
type journalHead struct {
	id     journalID
	folded int64 // number of the last record that is in the data file
}

// readJournal gives the records of a data file's journal that are not folded in
// yet, in their order, and what is wrong with it, or "" where it is sound. A last
// record that is broken is no damage: it was being written when the power went,
// and nobody was told that it was stored.
func readJournal(path string, head journalHead) (records []record, damage string, err error) {
	for _, suffix := range journalSuffixes {
		f, err := os.Open(path + suffix)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, "", err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return nil, "", err
		}
		some, err := readRecords(f, info.Size(), head.id, head.folded)
		if err != nil {
			return nil, "", err
		}
		records = append(records, some...)
	}
	// One that failed on its way to the disk may have left its number to the next.
	slices.SortStableFunc(records, func(a, b record) int { return int(a.number - b.number) })
	last := head.folded
	for _, r := range records {
		if r.number > last+1 {
			return records, "the journal of its newest events is broken in the middle", nil
		}
		last = r.number
	}
	return records, "", nil
}

// File is a file of the journal, as a test may put its own in place.
type File interface {
	io.WriterAt
	Sync() error
	Truncate(bytes int64) error
	Close() error
}

// journal writes records. Only the keeper uses it.
type journal struct {
	path   string
	id     journalID
	files  [2]File
	active int
	at     int64    // where the next record goes in the active file
	room   [2]int64 // bytes that each file has
	number int64    // of the last record
	buf    []byte
}

// openJournal makes empty files: what was in them must be folded in.
func openJournal(path string, head journalHead, wrap func(File) File) (*journal, error) {
	j := &journal{path: path, id: head.id, number: head.folded}
	for i, suffix := range journalSuffixes {
		f, err := openJournalFile(path + suffix)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("cannot make the journal: %w", err), j.close())
		}
		if j.files[i] = f; wrap != nil {
			j.files[i] = wrap(f)
		}
	}
	return j, folder.Sync(filepath.Dir(path))
}

// write puts a record on the disk. After an error it is not there, or not whole,
// and the next one takes its place.
func (j *journal) write(rows []*row) error {
	if size := recordBytes(rows); size > cap(j.buf) {
		j.buf = blocks(max(size, usualRecord))
	}
	j.buf = appendRecord(j.buf[:0], j.id, j.number+1, rows)
	f, end := j.files[j.active], j.at+int64(len(j.buf))
	if room := &j.room[j.active]; end > *room {
		// Room is made ahead: a write to where a file has bytes already waits for
		// those alone, and not for the file's new size.
		if _, err := f.WriteAt(emptyBlocks, end); err == nil {
			*room = end + moreRoom
		}
	}
	if _, err := f.WriteAt(j.buf, j.at); err != nil {
		return fmt.Errorf("cannot write to the journal: %w", diskInWords(err))
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("cannot write the journal to disk: %w", diskInWords(err))
	}
	j.at = end
	j.number++
	if cap(j.buf) > keptRecord {
		j.buf = nil
	}
	return nil
}

const (
	// usualRecord is how large a record may be without new room being made for it,
	// and keptRecord what is kept for the next at most.
	usualRecord = 64 << 10
	keptRecord  = 1 << 20
	// moreRoom is what a file gets at once: so little that nobody waits long.
	moreRoom = 128 << 10
)

var emptyBlocks = blocks(moreRoom)

// turn goes on at the beginning of the other file, all of which must be folded in.
func (j *journal) turn() {
	j.active, j.at = 1-j.active, 0
}

// empty takes all bytes out of both files, whose records must be folded in.
func (j *journal) empty() error {
	j.at, j.room = 0, [2]int64{}
	return errors.Join(j.files[0].Truncate(0), j.files[1].Truncate(0))
}

func (j *journal) close() (err error) {
	for _, f := range j.files {
		if f != nil {
			err = errors.Join(err, f.Close())
		}
	}
	return err
}

// remove takes the closed files away, whose records must be folded in.
func (j *journal) remove() (err error) {
	for _, suffix := range journalSuffixes {
		err = errors.Join(err, os.Remove(j.path+suffix))
	}
	return err
}
