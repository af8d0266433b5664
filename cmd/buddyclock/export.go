package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

// export writes a log as a file.
func (m *Main) export(ctx context.Context, args []string) int {
	flags := flag.NewFlagSet("buddyclock export", flag.ContinueOnError)
	data := flags.String("data", "", dataFlag)
	diver := flags.String("diver", "", "only the holds of the diver of this `name or id`")
	outing := flags.String("outing", "", "only the outing of this `id`")
	format := flags.String("format", "", "`csv`, a table with a row for each hold, or jsonl, complete and fit to be imported (default: as the file is called, else jsonl)")
	file := flags.String("o", "", "write to this `file` (default: standard output)")
	list := flags.Bool("list", false, "list who has dived, and the outings")
	const head = "buddyclock export [-data DIR] [-diver NAME] [-outing ID] [-format csv|jsonl] [-o FILE]\n\nWrites the log, or a part of it. Nothing leaves this machine."
	if _, code, ok := m.command(flags, args, 0, head); !ok {
		return code
	}
	if *format == "" {
		*format = "jsonl"
		if strings.EqualFold(filepath.Ext(*file), ".csv") {
			*format = "csv"
		}
	}
	if *format != "csv" && *format != "jsonl" {
		return m.misused(flags, head, fmt.Errorf("-format is csv or jsonl, not %q", *format))
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
	if err := findOuting(ctx, st, *outing); err != nil {
		return m.fail(err)
	}
	scope := logbook.Scope{Outing: *outing}
	if *diver != "" {
		if scope.Diver, err = findDiver(ctx, st, scope, *diver); err != nil {
			return m.fail(err)
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

// findOuting fails where an outing is named and not known: a log of nothing, whole and
// sound, would be taken for that outing's.
func findOuting(ctx context.Context, st *store.Store, id string) error {
	if id == "" {
		return nil
	}
	outings, _, err := st.Outings(ctx)
	if err == nil && !slices.ContainsFunc(outings, func(o store.Session) bool { return o.ID == id }) {
		err = fmt.Errorf("no outing %s is in the log; `buddyclock export -list` tells the outings", id)
	}
	return err
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
