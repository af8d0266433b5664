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

	"buddyclock/server/logbook"
	"buddyclock/server/store"
)

// dataFlag says what -data is for, where a command goes to data that is there.
const dataFlag = "the data in this `folder` (default: your folder for program data)"

// command reads the flags of a command, and gives what else stands there: names of
// at most so many files. Flags may stand behind these too, as people type them. ok
// is false where code is its end.
func (m *Main) command(flags *flag.FlagSet, args []string, most int, head string) (files []string, code int, ok bool) {
	flags.SetOutput(io.Discard) // said below, on the right stream
	err := flags.Parse(args)
	for err == nil && flags.NArg() > 0 {
		if len(files) == most {
			return nil, m.misused(flags, head, fmt.Errorf("there is no use for %q", flags.Arg(0))), false
		}
		files = append(files, flags.Arg(0))
		err = flags.Parse(flags.Args()[1:])
	}
	if err != nil {
		return nil, m.misused(flags, head, err), false
	}
	return files, exitOK, true
}

// misused says how a command is used, on the stream where it was asked for or else
// after what was wrong, and gives the exit code.
func (m *Main) misused(flags *flag.FlagSet, head string, err error) int {
	out, code := m.Stderr, exitUsage
	if errors.Is(err, flag.ErrHelp) {
		out, code = m.Stdout, exitOK
	} else {
		fmt.Fprintf(out, "%s: %v\n\n", flags.Name(), err)
	}
	fmt.Fprint(out, head+"\n\nFlags:\n")
	flags.SetOutput(out)
	flags.PrintDefaults()
	return code
}

func (m *Main) fail(err error) int {
	fmt.Fprintf(m.Stderr, "buddyclock: %v\n", err)
	return exitFailed
}

// input opens the file that a command reads, or for - standard input, and gives what
// it is called in messages.
func (m *Main) input(file string) (in io.ReadCloser, name string, err error) {
	if file == "-" {
		return io.NopCloser(m.Stdin), "what came in", nil
	}
	in, err = os.Open(file)
	return in, file, err
}

// openData opens the data file of a folder, which must be there unless it may be
// made.
func (m *Main) openData(dir string, mayMake bool) (*store.Store, string, error) {
	dir, err := dataFolder(dir)
	if err != nil {
		return nil, "", err
	}
	path := filepath.Join(dir, store.FileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) && !mayMake {
		return nil, "", noDataFile(path)
	}
	st, err := store.Open(dir, func() int64 { return m.Clock.Now().UnixMilli() })
	switch {
	case errors.Is(err, store.ErrInUse):
		err = fmt.Errorf("%w; stop it first, or use its page", err)
	case err != nil:
		err = storeError(dir, err)
	}
	return st, dir, err
}

func noDataFile(path string) error {
	return fmt.Errorf("there is no data file %s; choose another folder with -data DIR", path)
}

// findDiver finds whom a name or id means, and otherwise says where the names are.
func findDiver(ctx context.Context, st *store.Store, scope logbook.Scope, nameOrID string) (*logbook.Diver, error) {
	diver, err := logbook.FindDiver(ctx, st, scope, nameOrID)
	if errors.Is(err, logbook.ErrNoDiver) {
		err = fmt.Errorf("%w; `buddyclock export -list` tells who has dived", err)
	}
	return diver, err
}
