package influx

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// loadCursor returns the sequence number up to which all was copied; 0 when
// nothing was.
func loadCursor(file string) (uint64, error) {
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("influx: %w", err)
	}
	seq, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("influx: %s does not hold a number: %w; delete it to copy all of the history again", file, err)
	}
	return seq, nil
}

// saveCursor replaces the file. A crash leaves the old or the new number; after
// the old one, some points are sent again.
func saveCursor(file string, seq uint64) error {
	f, err := os.CreateTemp(filepath.Dir(file), filepath.Base(file)+".*")
	if err != nil {
		return fmt.Errorf("influx: %w", err)
	}
	_, err = fmt.Fprintln(f, seq)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("influx: %w", err), os.Remove(f.Name()))
	}
	return nil
}
