package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

// verify looks through a data file and says what is wrong with it. The exit
// code is 0 for a sound file, 3 for a damaged one, and 1 where it could not be
// looked at.
func (m *Main) verify(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock verify", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	const head = "buddyclock verify [-data DIR] [FILE]\n\nLooks through a data file, one that was set aside, or an export, and changes nothing in it."
	files, code, ok := m.command(flags, args, 1, head)
	if !ok {
		return code
	}
	if len(files) == 1 && *data != "" {
		return m.misused(flags, head, errors.New("it looks through a folder or a file, not both"))
	}
	if len(files) == 1 {
		return m.verifyFile(ctx, files[0])
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return m.fail(err)
	}
	path := filepath.Join(dir, store.FileName)
	report, err := store.Inspect(ctx, path)
	var outside *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = noDataFile(path)
	case errors.As(err, &outside):
		err = storeError(dir, err)
	}
	return m.tell(path, report, err)
}

// verifyFile looks through one file, whatever it is.
func (m *Main) verifyFile(ctx context.Context, path string) int {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return m.fail(fmt.Errorf("there is no file %s", path))
	case err == nil && info.IsDir():
		return m.fail(fmt.Errorf("%s is a folder; `buddyclock verify -data %s` looks through the data in it", path, path))
	case err == nil && !isData(path):
		return m.verifyExport(ctx, path)
	}
	report, err := store.Inspect(ctx, path)
	return m.tell(path, report, err)
}

// isData tells whether a file is a data file, or was one: its name says so also
// where nothing of its head is left.
func isData(path string) bool {
	if strings.HasPrefix(filepath.Base(path), store.FileName) {
		return true
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	const magic = "SQLite format 3\x00"
	head := make([]byte, len(magic))
	_, err = io.ReadFull(f, head)
	return err == nil && string(head) == magic
}

// verifyExport looks through an export.
func (m *Main) verifyExport(ctx context.Context, path string) int {
	f, err := os.Open(path)
	if err != nil {
		return m.fail(err)
	}
	defer f.Close()
	report, holds, err := logbook.Check(ctx, f)
	switch {
	case errors.Is(err, logbook.ErrNotLog):
		return m.fail(fmt.Errorf("%s is neither a data file nor an export of Buddyclock, or its head is damaged; %s", path, eventsAlone))
	case err != nil:
		return m.fail(exportError(path, err))
	}
	fmt.Fprintf(m.Stdout, "%s\nevents %d, holds %d\n", path, report.Added, holds)
	for _, r := range report.Refusals {
		fmt.Fprintf(m.Stdout, "WRONG: %s\n", r)
	}
	if more := report.Refused - len(report.Refusals); more > 0 {
		fmt.Fprintf(m.Stdout, "WRONG: %d more\n", more)
	}
	if report.Refused > 0 {
		fmt.Fprintln(m.Stdout, "DAMAGED: what is sound in it can still be imported")
		return exitUnsound
	}
	fmt.Fprintln(m.Stdout, "sound: the export is whole, and every event matches its checksum")
	return exitOK
}

// tell prints what an inspection found, or why there was none, and gives the exit code.
func (m *Main) tell(path string, r *store.Report, err error) int {
	switch {
	case errors.Is(err, store.ErrInUse):
		return m.fail(fmt.Errorf("%w; stop it first", err))
	case err != nil:
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "%s\nevents %d, holds %d, pairs %d", path, r.Events, r.Holds, r.Pairs)
	if r.LastStoredMs != 0 {
		fmt.Fprintf(m.Stdout, ", the last stored on %s", time.UnixMilli(r.LastStoredMs).Format("2006-01-02 15:04"))
	}
	fmt.Fprintln(m.Stdout)
	for _, f := range r.Findings {
		fmt.Fprintf(m.Stdout, "WRONG: %s\n", f)
	}
	if r.Unlisted > 0 {
		fmt.Fprintf(m.Stdout, "WRONG: %d more\n", r.Unlisted)
	}
	for _, g := range r.Gaps {
		fmt.Fprintf(m.Stdout, "not here: %s-%06d to %06d, though later ones are; that device may still have them\n", g.Device, g.From, g.To)
	}
	if r.Erased > 0 {
		fmt.Fprintf(m.Stdout, "erased by a person: %d events\n", r.Erased)
	}
	if r.UnlistedGaps > 0 {
		fmt.Fprintf(m.Stdout, "not here: %d more such\n", r.UnlistedGaps)
	}
	if r.Sound() {
		fmt.Fprintln(m.Stdout, "sound: the file is whole, every event matches its checksum, and every hold comes out the same in any order")
		return exitOK
	}
	fmt.Fprintln(m.Stdout, "DAMAGED: nothing was changed in it; keep it, and begin with another folder")
	return exitUnsound
}
