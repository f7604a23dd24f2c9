package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"coilward/alerts/ledger"
	"coilward/collector/history"
	"coilward/detect/shard"
)

// verifyCommand is the command line of verify.
type verifyCommand struct {
	Data string `required:"" placeholder:"DIR" type:"path" help:"Data folder of a daemon, in use or not, or a backup."`
}

// Help is the longer text.
func (verifyCommand) Help() string {
	return `Reads everything that is stored: the checksums of all readings and summaries, that none is missing or there twice, the alerts, the models, and of a backup that it is all there. Nothing is changed. The exit status is 0 when all is well, 1 when something is wrong.

Example:
  coilward verify --data /var/lib/coilward`
}

func (c *verifyCommand) run(ctx context.Context, s *streams) int {
	v, err := verify(ctx, c.Data)
	if err != nil {
		fmt.Fprintf(s.err, "coilward verify: %v\n", err)
		return statusFailed
	}
	fmt.Fprintf(s.out, "%s: %d readings in %d blocks and %d logs, numbers %d to %d\n", c.Data, v.history.Readings, v.history.Blocks, v.history.Segments, v.first, v.last)
	if v.history.Summaries > 0 {
		fmt.Fprintf(s.out, "%d older readings in %d quarter-hour summaries\n", v.history.Summed, v.history.Summaries)
	}
	for _, p := range v.problems {
		fmt.Fprintln(s.err, p)
	}
	if len(v.problems) > 0 {
		fmt.Fprintf(s.err, "%d %s; restore the last good backup, or go on with what is there: the rest is whole\n", len(v.problems), plural(len(v.problems), "problem"))
		return statusFailed
	}
	fmt.Fprintln(s.out, "all is well")
	return statusOK
}

// verified is what verify found.
type verified struct {
	history     history.Report
	first, last uint64 // readings
	problems    []error
}

// verify reads all the data of a folder. The error says that it could not be done;
// what is wrong is in the problems.
func verify(ctx context.Context, dir string) (v verified, err error) {
	m, err := readManifest(dir)
	if err != nil {
		return v, err
	}
	store, done, err := openToRead(ctx, dir)
	if err != nil {
		return v, err
	}
	defer done()
	if v.history, err = store.Check(ctx); err != nil {
		return v, err
	}
	v.first, v.last = store.FirstSeq(), store.LastSeq()
	v.problems = v.history.Problems
	problem := func(err error) {
		if err != nil {
			v.problems = append(v.problems, err)
		}
	}
	problem(checkLedger(ctx, dir, m != nil))
	// A daemon may have saved its models since the checkpoint that is looked at.
	if snap, err := shard.Read(filepath.Join(dir, modelsFile)); err != nil {
		problem(fmt.Errorf("models: %w; without the file they are worked out from the history", err))
	} else if m != nil && snap != nil && snap.Seq > v.last {
		problem(fmt.Errorf("models: saved at reading %d, beyond the history, which ends at %d", snap.Seq, v.last))
	}
	days, err := daysOf(dir).List()
	problem(err)
	for _, at := range days {
		// One that has had its time meanwhile is no loss.
		if _, err := daysOf(dir).Read(at); err != nil && !errors.Is(err, os.ErrNotExist) {
			problem(fmt.Errorf("%w; trials that begin then let models learn anew", err))
		}
	}
	if m == nil {
		return v, nil
	}
	if v.last < m.Last {
		problem(fmt.Errorf("history: ends at reading %d, the backup had %d", v.last, m.Last))
	}
	for name, want := range m.Files {
		if sum, err := sumOf(filepath.Join(dir, filepath.FromSlash(name))); err != nil {
			problem(err)
		} else if sum != want {
			problem(fmt.Errorf("%s is not as it was backed up", filepath.Join(dir, name)))
		}
	}
	return v, nil
}

// checkLedger checks the ledger: of a backup a copy of it, since even opening the
// file would change it.
func checkLedger(ctx context.Context, dir string, backup bool) (err error) {
	file := filepath.Join(dir, ledgerFile)
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) && !backup && neverRun(dir) {
		return nil // an import alone made it
	} else if err != nil {
		return fmt.Errorf("the alerts are missing: %w", err)
	}
	if backup {
		scratch, err := os.MkdirTemp("", "coilward-verify-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(scratch)
		to := filepath.Join(scratch, ledgerFile)
		if err := copyFile(file, to); err != nil {
			return err
		}
		file = to
	}
	l, err := ledger.Open(ctx, ledger.Options{Path: file})
	if err != nil {
		return err
	}
	return errors.Join(l.Check(ctx), l.Close())
}

// neverRun reports whether a data folder holds nothing that a daemon leaves in it.
func neverRun(dir string) bool {
	for _, name := range []string{modelsFile, linksFile, influxCursor, daysDir} {
		if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, os.ErrNotExist) {
			return false
		}
	}
	return true
}
