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
	"time"

	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

// verify looks through a data file and says what is wrong with it. The exit
// code is 0 for a sound file, 3 for a damaged one, and 1 where it could not be
// looked at.
func (m *Main) verify(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock verify", flag.ContinueOnError)
	flags.SetOutput(io.Discard) // said below, on the right stream
	data := flags.String("data", "", "look through the data in this `folder` (default: your folder for program data)")
	err := flags.Parse(args)
	if err == nil && (flags.NArg() > 1 || flags.NArg() == 1 && *data != "") {
		err = errors.New("it looks through one file at a time")
	}
	if err != nil {
		out, code := m.Stderr, exitUsage
		if errors.Is(err, flag.ErrHelp) {
			out, code = m.Stdout, exitOK
		} else {
			fmt.Fprintf(out, "buddyclock verify: %v\n\n", err)
		}
		fmt.Fprint(out, "buddyclock verify [-data DIR] [FILE]\n\nLooks through a data file, one that was set aside, or an export, and changes nothing in it.\n\nFlags:\n")
		flags.SetOutput(out)
		flags.PrintDefaults()
		return code
	}
	path := flags.Arg(0)
	if path == "" {
		if *data == "" {
			if *data, err = userDataDir(); err != nil {
				fmt.Fprintf(m.Stderr, "buddyclock: your folder for program data is not known (%v); choose one with -data DIR\n", err)
				return exitFailed
			}
		}
		path = filepath.Join(*data, store.FileName)
	}
	if isExport(path) {
		return m.verifyExport(ctx, path)
	}
	report, err := store.Inspect(ctx, path)
	switch {
	case errors.Is(err, store.ErrInUse):
		err = fmt.Errorf("%w; stop it first", err)
	case errors.Is(err, fs.ErrNotExist):
		err = fmt.Errorf("there is no data file %s; choose another folder with -data DIR", path)
	}
	if err != nil {
		fmt.Fprintf(m.Stderr, "buddyclock: %v\n", err)
		return exitFailed
	}
	m.tell(path, report)
	if !report.Sound() {
		return exitUnsound
	}
	return exitOK
}

// isExport tells whether a file is text that begins as an export does.
func isExport(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	first := make([]byte, 1)
	_, err = f.Read(first)
	return err == nil && first[0] == '{'
}

// verifyExport looks through an export.
func (m *Main) verifyExport(ctx context.Context, path string) int {
	f, err := os.Open(path)
	if err != nil {
		return m.fail(err)
	}
	defer f.Close()
	report, holds, err := logbook.Check(ctx, f)
	if err != nil {
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "%s\nevents %d, holds %d\n", path, report.Added, holds)
	for _, r := range report.Refusals {
		fmt.Fprintf(m.Stdout, "WRONG: line %d: %s %s\n", r.Line, r.Reason, r.ID)
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

// tell prints what an inspection found.
func (m *Main) tell(path string, r *store.Report) {
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
		return
	}
	fmt.Fprintln(m.Stdout, "DAMAGED: nothing was changed in it; keep it, and begin with another folder")
}
