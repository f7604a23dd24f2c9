package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"github.com/rs/zerolog"

	"coilward/collector/history"
)

// openToRead opens the history of a data folder or a backup, leaving it as it is.
// Where a daemon has it open, what is opened is a checkpoint that the daemon makes
// and keeps until done is called.
func openToRead(ctx context.Context, data string) (store *history.Store, done func(), err error) {
	dir := filepath.Join(data, "history")
	if _, err := os.Stat(filepath.Join(dir, "blocks")); err != nil {
		return nil, nil, fmt.Errorf("%s holds no history; name the daemon's data_dir or a backup of it", data)
	}
	live, hangUp, err := askCheckpoint(ctx, data)
	if err != nil {
		return nil, nil, err
	}
	if live != "" {
		dir = filepath.Join(live, "history")
	}
	store, err = history.Open(history.Options{Dir: dir, ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		hangUp()
		return nil, nil, err
	}
	return store, func() { _ = store.Close(); hangUp() }, nil
}
