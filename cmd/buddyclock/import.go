package main

import (
	"context"
	"flag"
	"fmt"
	"os"

	"buddyclock/server/logbook"
)

// importLog reads an export into the data file.
func (m *Main) importLog(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock import", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	bringBack := flags.Bool("bring-back", false, "take also events that were erased here")
	code, ok := m.command(flags, args, 1, "buddyclock import [-data DIR] [-bring-back] FILE\n\nReads an export (JSON Lines; - for standard input) into the data file. What is there already stays as it is.")
	if !ok {
		return code
	}
	if flags.NArg() == 0 {
		fmt.Fprint(m.Stderr, "buddyclock import: name the file to import, or - for standard input\n")
		return exitUsage
	}
	in := m.Stdin
	if flags.Arg(0) != "-" {
		f, err := os.Open(flags.Arg(0))
		if err != nil {
			return m.fail(err)
		}
		defer f.Close()
		in = f
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
		return m.fail(err)
	}
	if report.Refused > 0 {
		return exitFailed
	}
	return exitOK
}

func (m *Main) tellRefused(report logbook.Report) {
	for _, r := range report.Refusals {
		fmt.Fprintf(m.Stderr, "line %d: %s %s (%s)\n", r.Line, r.Reason, r.ID, r.Code)
	}
	if more := report.Refused - len(report.Refusals); more > 0 {
		fmt.Fprintf(m.Stderr, "and %d more\n", more)
	}
}
