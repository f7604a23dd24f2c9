package main

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"coilward/alerts/ledger"
)

// openLedger opens the ledger of a data folder, and makes it where there is none.
func openLedger(ctx context.Context, data string) (*ledger.Ledger, error) {
	return ledger.Open(ctx, ledger.Options{Path: filepath.Join(data, ledgerFile)})
}

// fromLedger reads something of the ledger of a data folder, beside a running daemon
// too. Where there is no ledger it makes none, and there is nothing to read: the zero
// value.
func fromLedger[T any](ctx context.Context, data string, read func(context.Context, *ledger.Ledger) (T, error)) (out T, err error) {
	if _, err := os.Stat(filepath.Join(data, ledgerFile)); errors.Is(err, fs.ErrNotExist) {
		return out, nil
	}
	l, err := openLedger(ctx, data)
	if err != nil {
		return out, err
	}
	out, err = read(ctx, l)
	return out, errors.Join(err, l.Close())
}
