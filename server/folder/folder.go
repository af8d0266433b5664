// Package folder makes changes of a folder outlast a power cut.
package folder

import (
	"errors"
	"os"
	"runtime"
)

// Sync has renames and new files of a folder put on the disk itself.
// Windows has no such call and needs none.
func Sync(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
