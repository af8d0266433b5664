package demo

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// markName is the file that says of a data folder that its people are simulated.
const markName = "simulated-people"

// ErrRealPeople is returned for a folder in which other data lies.
var ErrRealPeople = errors.New("has other data in it, and simulated people do not go among real ones")

// Marked tells whether the people in a data folder are simulated.
func Marked(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, markName))
	return err == nil
}

// Mark makes an empty or new folder one of simulated people. fresh tells whether
// it was not one before.
func Mark(dir string) (fresh bool, err error) {
	if Marked(dir) {
		return false, nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return false, fmt.Errorf("the data folder cannot be made: %w", err)
	}
	switch there, err := os.ReadDir(dir); {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return false, fmt.Errorf("the data folder cannot be read: %w", err)
	case len(there) > 0:
		return false, fmt.Errorf("the folder %s %w", dir, ErrRealPeople)
	}
	text := "The people and holds in this folder are invented by `buddyclock demo`.\n"
	if err := os.WriteFile(filepath.Join(dir, markName), []byte(text), 0o600); err != nil {
		return false, fmt.Errorf("the data folder cannot be written to: %w", err)
	}
	return true, nil
}
