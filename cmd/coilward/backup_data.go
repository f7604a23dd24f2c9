package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"coilward/alerts/ledger"
	"coilward/collector/history"
)

const (
	ledgerFile   = "alerts.sqlite"
	historyDir   = "history"
	influxCursor = "influx.cursor"
)

// copyData copies the data of a folder whose stores are open into dir, which must
// not exist yet, or be empty.
//
// The order makes the copy one that a start can go on from: saved models first,
// then what was said, then the readings. What the ledger holds follows from
// readings in the history; readings beyond the models are fed to them again, and
// what they say of them that the ledger does not hold yet is added. Everything
// acknowledged before the call is in the copy.
func copyData(ctx context.Context, data, dir string, h *history.Store, l *ledger.Ledger) (r adminReply, err error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return r, fmt.Errorf("%w; name a folder that the daemon's user may write to", err)
	}
	for _, name := range []string{modelsFile, influxCursor, linksFile} {
		err := copyFile(filepath.Join(data, name), filepath.Join(dir, name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return r, err
		}
	}
	if err := copyDays(data, dir, copyFile); err != nil {
		return r, err
	}
	if err := l.Backup(ctx, filepath.Join(dir, ledgerFile)); err != nil {
		return r, err
	}
	if err := ctx.Err(); err != nil {
		return r, err
	}
	r = adminReply{Dir: dir, First: h.FirstSeq(), Last: h.LastSeq()}
	return r, errors.Join(h.Backup(filepath.Join(dir, historyDir)), syncFolder(dir))
}

// copyDays gives another data folder the models of past days. Those that have had
// their time meanwhile are left out.
func copyDays(data, dir string, file func(from, to string) error) error {
	from, to := daysOf(data), daysOf(dir)
	all, err := from.List()
	if err != nil || len(all) == 0 {
		return err
	}
	if err := os.MkdirAll(to.Dir, 0o750); err != nil {
		return err
	}
	for _, at := range all {
		if err := file(from.File(at), to.File(at)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return syncFolder(to.Dir)
}

// linkFile gives a file another name, or copies it where the disk has no links.
func linkFile(from, to string) error {
	if err := os.Link(from, to); err == nil || errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return copyFile(from, to)
}

// copyFile copies a file and puts it on the disk. The copy must not exist.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, info.Mode().Perm())
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	return errors.Join(err, out.Close())
}

// copyFolder copies a folder with all that is in it.
func copyFolder(ctx context.Context, from, to string) error {
	return filepath.WalkDir(from, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		target := filepath.Join(to, rel)
		switch {
		case e.IsDir():
			return os.MkdirAll(target, 0o750)
		case e.Type().IsRegular():
			return copyFile(path, target)
		}
		return nil // sockets
	})
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
