package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

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
