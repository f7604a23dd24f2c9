package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// restoreCommand is the command line of restore.
type restoreCommand struct {
	Dir  string `arg:"" type:"path" help:"The backup."`
	Data string `required:"" placeholder:"DIR" type:"path" help:"Data folder to make, as data_dir in the configuration; it must not exist, or be empty."`
}

// Help is the longer text.
func (restoreCommand) Help() string {
	return `Checks a backup, copies it into a new data folder, and checks the copy. The backup stays as it is. The settings in its folder config are not put in place: compare them with those you have.

Example:
  coilward restore /backup/coilward-2026-07-01 --data /var/lib/coilward
  coilward run --config /etc/coilward/coilward.yaml`
}

func (c *restoreCommand) run(ctx context.Context, s *streams) int {
	v, err := restore(ctx, c.Dir, c.Data)
	if err != nil {
		fmt.Fprintf(s.err, "coilward restore: %v\n", err)
		return statusFailed
	}
	fmt.Fprintf(s.out, "%s: %d readings, numbers %d to %d, alerts and models are back and checked\nsettings as they were are in %s\n",
		c.Data, v.history.Readings, v.first, v.last, filepath.Join(c.Dir, configDir))
	return statusOK
}

// restore makes a data folder of a backup. It is there whole and checked, or not
// at all.
func restore(ctx context.Context, dir, data string) (v verified, err error) {
	m, err := readManifest(dir)
	if err == nil && m == nil {
		err = fmt.Errorf("%s is no backup, or one that was not finished: it has no %s", dir, manifestFile)
	}
	if err != nil {
		return v, err
	}
	if entries, err := os.ReadDir(data); err == nil && len(entries) > 0 {
		return v, fmt.Errorf("%s is not empty; move it away first, or name another folder", data)
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return v, err
	}
	if err := sound(ctx, dir); err != nil {
		return v, fmt.Errorf("the backup is damaged, nothing was restored: %w", err)
	}
	part := data + ".part"
	if err := os.RemoveAll(part); err != nil {
		return v, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	if err := copyFolder(ctx, dir, part); err != nil {
		return v, err
	}
	if v, err = verify(ctx, part); err == nil {
		err = errors.Join(v.problems...)
	}
	if err != nil {
		return v, fmt.Errorf("the copy is not what the backup is: %w", err)
	}
	err = errors.Join(os.Remove(filepath.Join(part, manifestFile)), os.RemoveAll(filepath.Join(part, configDir)), syncFolders(part))
	if err == nil {
		err = os.Remove(data) // if there, it is empty
		if errors.Is(err, os.ErrNotExist) {
			err = nil
		}
	}
	if err == nil {
		err = errors.Join(os.Rename(part, data), syncFolder(filepath.Dir(data)))
	}
	return v, err
}

// sound verifies, with the problems in the error.
func sound(ctx context.Context, dir string) error {
	v, err := verify(ctx, dir)
	return errors.Join(append(v.problems, err)...)
}

// syncFolders puts the names in a folder and those below it on the disk; what is
// in the files is there already.
func syncFolders(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var errs []error
	for _, e := range entries {
		if e.IsDir() {
			errs = append(errs, syncFolders(filepath.Join(dir, e.Name())))
		}
	}
	return errors.Join(append(errs, syncFolder(dir))...)
}
