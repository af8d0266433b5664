package main

import (
	"bufio"
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

// command reads the flags of a command; ok is false where code is its end.
func (m *Main) command(flags *flag.FlagSet, args []string, most int, head string) (code int, ok bool) {
	flags.SetOutput(io.Discard) // said below, on the right stream
	err := flags.Parse(args)
	if err == nil && flags.NArg() > most {
		err = fmt.Errorf("it does not take %q", flags.Arg(most))
	}
	if err == nil {
		return exitOK, true
	}
	out, code := m.Stderr, exitUsage
	if errors.Is(err, flag.ErrHelp) {
		out, code = m.Stdout, exitOK
	} else {
		fmt.Fprintf(out, "%s: %v\n\n", flags.Name(), err)
	}
	fmt.Fprint(out, head+"\n\nFlags:\n")
	flags.SetOutput(out)
	flags.PrintDefaults()
	return code, false
}

func (m *Main) fail(err error) int {
	fmt.Fprintf(m.Stderr, "buddyclock: %v\n", err)
	return exitFailed
}

// openData opens the data file of a folder, which must be there unless it may be
// made.
func (m *Main) openData(dir string, mayMake bool) (*store.Store, string, error) {
	if dir == "" {
		var err error
		if dir, err = userDataDir(); err != nil {
			return nil, "", fmt.Errorf("your folder for program data is not known (%w); choose one with -data DIR", err)
		}
	}
	path := filepath.Join(dir, store.FileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) && !mayMake {
		return nil, "", fmt.Errorf("there is no data file %s; choose another folder with -data DIR", path)
	}
	st, err := store.Open(dir, func() int64 { return m.Clock.Now().UnixMilli() })
	if errors.Is(err, store.ErrInUse) {
		err = fmt.Errorf("%w; stop it first, or use its page", err)
	}
	return st, dir, err
}

const dataFlag = "the data in this `folder` (default: your folder for program data)"

// export writes a log as a file.
func (m *Main) export(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock export", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	diver := flags.String("diver", "", "only the holds of the diver of this `name or id`")
	outing := flags.String("outing", "", "only the outing of this `id`")
	format := flags.String("format", "", "`csv`, a table with a row for each hold, or jsonl, complete and fit to be imported (default: as the file is called, else jsonl)")
	file := flags.String("o", "", "write to this `file` (default: standard output)")
	list := flags.Bool("list", false, "list who has dived, and the outings")
	if code, ok := m.command(flags, args, 0, "buddyclock export [-data DIR] [-diver NAME] [-outing ID] [-format csv|jsonl] [-o FILE]\n\nWrites the log, or a part of it. Nothing leaves this machine."); !ok {
		return code
	}
	if *format == "" {
		*format = "jsonl"
		if strings.EqualFold(filepath.Ext(*file), ".csv") {
			*format = "csv"
		}
	}
	if *format != "csv" && *format != "jsonl" {
		fmt.Fprintf(m.Stderr, "buddyclock export: -format is csv or jsonl, not %q\n", *format)
		return exitUsage
	}
	st, _, err := m.openData(*data, false)
	if err != nil {
		return m.fail(err)
	}
	defer st.Close()
	if *list {
		if err := m.listLog(ctx, st); err != nil {
			return m.fail(err)
		}
		return exitOK
	}
	scope := logbook.Scope{Outing: *outing}
	if *diver != "" {
		if scope.Diver, err = logbook.FindDiver(ctx, st, scope, *diver); err != nil {
			return m.fail(fmt.Errorf("%w; -list tells who has dived", err))
		}
	}
	write := func(out io.Writer) (string, error) {
		now := m.Clock.Now().UnixMilli()
		if *format == "csv" {
			n, err := logbook.WriteCSV(ctx, st, out, scope, time.Local, now)
			return fmt.Sprintf("%d holds", n), err
		}
		n, err := logbook.WriteLines(ctx, st, out, scope, now)
		return fmt.Sprintf("%d events", n), err
	}
	var what string
	if *file == "" {
		what, err = write(m.Stdout)
	} else {
		what, err = writeWhole(*file, write)
	}
	if err != nil {
		return m.fail(fmt.Errorf("cannot write the export: %w", err))
	}
	fmt.Fprintf(m.Stderr, "%s written\n", what)
	return exitOK
}

// writeWhole writes a file that is there whole or not at all. It holds health
// data: only its owner may read it.
func writeWhole(path string, write func(io.Writer) (string, error)) (what string, err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name())
	what, err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return "", err
	}
	return what, os.Rename(f.Name(), path)
}

func (m *Main) listLog(ctx context.Context, st *store.Store) error {
	divers, err := logbook.Divers(ctx, st, logbook.Scope{})
	if err != nil {
		return err
	}
	outings, pairs, err := st.Outings(ctx)
	if err != nil {
		return err
	}
	day := func(ms int64) string { return time.UnixMilli(ms).Format("2006-01-02") }
	for _, d := range divers {
		fmt.Fprintf(m.Stdout, "diver %s  %-10s  holds %d  %s to %s\n", d.Name, d.ID, d.Holds, day(d.FirstMs), day(d.LastMs))
	}
	for _, o := range outings {
		n := 0
		for _, p := range pairs {
			if p.Session == o.ID {
				n++
			}
		}
		fmt.Fprintf(m.Stdout, "outing %s  %s  pairs %d\n", o.ID, day(o.StartedMs), n)
	}
	return nil
}

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

// erase takes a diver's log out of the data file for good.
func (m *Main) erase(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock erase", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	diver := flags.String("diver", "", "the `name or id` of the diver")
	confirm := flags.String("confirm", "", "the diver's `name` once more, instead of being asked for it")
	if code, ok := m.command(flags, args, 0, "buddyclock erase -diver NAME [-data DIR] [-confirm NAME]\n\nTakes a diver's holds, profile and series out of the data file for good."); !ok {
		return code
	}
	if *diver == "" {
		fmt.Fprint(m.Stderr, "buddyclock erase: say whom with -diver NAME\n")
		return exitUsage
	}
	st, dir, err := m.openData(*data, false)
	if err != nil {
		return m.fail(err)
	}
	defer st.Close()
	// What an earlier try left comes first: its diver is in the log no more.
	if err := st.Wipe(ctx); err != nil {
		return m.fail(err)
	}
	who, err := logbook.FindDiver(ctx, st, logbook.Scope{}, *diver)
	if err != nil {
		return m.fail(err)
	}
	plan, err := logbook.PlanErase(ctx, st, logbook.Scope{Diver: who})
	if err != nil {
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "%s: holds %d, events %d\n", who.Name, plan.Holds, plan.Events)
	if plan.Named > 0 {
		fmt.Fprintf(m.Stdout, "%d holds of others name them as their buddy; those stay\n", plan.Named)
	}
	if *confirm == "" {
		fmt.Fprint(m.Stdout, "this cannot be undone; type the name to erase: ")
		*confirm, _ = bufio.NewReader(m.Stdin).ReadString('\n')
	}
	if logbook.NameKey(*confirm) != logbook.NameKey(who.Name) {
		fmt.Fprint(m.Stdout, "\nnothing was erased\n")
		return exitFailed
	}
	n, err := plan.Carry(ctx, st)
	if err != nil {
		return m.fail(err)
	}
	fmt.Fprintf(m.Stdout, "\nerased %d events; phones that still have them are told to erase theirs when they come\n", n)
	aside, _ := filepath.Glob(filepath.Join(dir, store.FileName+".damaged*"))
	for _, path := range aside {
		fmt.Fprintf(m.Stdout, "not looked into: %s, set aside as damaged; delete it if it is no longer needed\n", path)
	}
	return exitOK
}
