package main

import (
	"context"
	"errors"
	"flag"
	"fmt"

	"buddyclock/server/logbook"
)

// importLog reads an export into the data file.
func (m *Main) importLog(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock import", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	bringBack := flags.Bool("bring-back", false, "take also events that were erased here")
	const head = "buddyclock import [-data DIR] [-bring-back] FILE\n\nReads an export (JSON Lines; - for standard input) into the data file. What is there already stays as it is."
	files, code, ok := m.command(flags, args, 1, head)
	if !ok {
		return code
	}
	if len(files) == 0 {
		return m.misused(flags, head, errors.New("name the file to import, or - for standard input"))
	}
	f, name, err := m.input(files[0])
	if err != nil {
		return m.fail(err)
	}
	defer f.Close()
	// Before the data is opened, so that a wrong file leaves no new folder behind.
	in, err := logbook.Look(f)
	if err != nil {
		return m.fail(exportError(name, err))
	}
	st, _, err := m.openData(*data, true)
	if err != nil {
		return m.fail(err)
	}
	defer st.Close()
	told := 0
	report, err := logbook.Import(ctx, st, in, logbook.Options{BringBack: *bringBack, Tell: func(p logbook.Progress) {
		if p.Read >= told+10_000 {
			told = p.Read
			fmt.Fprintf(m.Stderr, "%d lines read\n", p.Read)
		}
	}})
	m.tellRefused(report)
	fmt.Fprintf(m.Stdout, "lines %d: events added %d, already there %d, refused %d\n", report.Read, report.Added, report.Known, report.Refused)
	if err != nil {
		return m.fail(exportError(name, err))
	}
	if report.Refused > 0 {
		return exitFailed
	}
	return exitOK
}

func (m *Main) tellRefused(report logbook.Report) {
	for _, r := range report.Refusals {
		fmt.Fprintln(m.Stderr, r)
	}
	if more := report.Refused - len(report.Refusals); more > 0 {
		fmt.Fprintf(m.Stderr, "and %d more\n", more)
	}
}

const eventsAlone = "files of events alone are for `buddyclock replay`"

// exportError says which file could not be read in, and what it may be instead.
func exportError(name string, err error) error {
	switch {
	case errors.Is(err, logbook.ErrEmpty):
		return fmt.Errorf("%s is empty", name)
	case errors.Is(err, logbook.ErrNotLog):
		return fmt.Errorf("%s is no export of Buddyclock; %s", name, eventsAlone)
	}
	return fmt.Errorf("%s: %w", name, err)
}
