package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector/history"
)

// A backup is a folder that can be opened like a data folder, with two things
// more: the settings in configDir, and manifestFile, written last.
const (
	configDir    = "config"
	manifestFile = "backup.json"
)

// manifest says what a backup is of.
type manifest struct {
	Format  int               `json:"format"` // 1
	Program string            `json:"program"`
	Began   time.Time         `json:"began"` // everything acknowledged before is in it
	Ended   time.Time         `json:"ended"`
	First   uint64            `json:"first_reading"`
	Last    uint64            `json:"last_reading"` // at least: what came while it was made may be in it
	Files   map[string]string `json:"sha256"`       // of the files without checks of their own
}

// backupCommand is the command line of backup.
type backupCommand struct {
	Config string `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file."`
	Dir    string `arg:"" type:"path" help:"Folder to make; it must not exist. On the disk of the data it is made at once, of links."`
}

// Help is the longer text.
func (backupCommand) Help() string {
	return `Copies the history, the alerts, the models, and the settings into a new folder, while the daemon runs or not. All that was acknowledged to a machine before it began is in it. So is the key that signs links, or those in people's phones would die with a restore: let nobody read a backup who may not act for the techs. Files with passwords and the keys of servers are not in it: keep those elsewhere. A backup on the disk of the data shares its blocks and dies with that disk: copy it to another.

Example:
  coilward backup --config /etc/coilward/coilward.yaml /backup/coilward-2026-07-01
  coilward verify --data /backup/coilward-2026-07-01`
}

func (c *backupCommand) run(ctx context.Context, s *streams) int {
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	m, err := backUp(ctx, conf, c.Config, c.Dir)
	if err != nil {
		fmt.Fprintf(s.err, "coilward backup: %v\n", err)
		return statusFailed
	}
	fmt.Fprintf(s.out, "%s: readings %d to %d and those that came meanwhile, alerts, models and settings, in %s\n", c.Dir, m.First, m.Last, m.Ended.Sub(m.Began).Round(time.Millisecond))
	return statusOK
}

// backUp makes a backup in dir. It is there whole, or not at all.
func backUp(ctx context.Context, conf *config, file, dir string) (m *manifest, err error) {
	if _, err := os.Lstat(dir); err == nil {
		return nil, fmt.Errorf("%s exists already; name a folder that does not", dir)
	}
	part := dir + ".part"
	if err := os.RemoveAll(part); err != nil {
		return nil, fmt.Errorf("what an earlier backup left cannot be removed: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	m = &manifest{Format: 1, Program: version(), Began: time.Now().UTC(), Files: map[string]string{}}
	r, running, hangUp, err := askDaemon(ctx, conf.DataDir, "/backup", map[string]string{"dir": part})
	if err != nil {
		return nil, err
	}
	if running {
		hangUp()
	} else if r, err = copyStopped(ctx, conf.DataDir, part); err != nil {
		return nil, err
	}
	m.First, m.Last = r.First, r.Last
	if err := copySettings(conf, file, filepath.Join(part, configDir)); err != nil {
		return nil, err
	}
	if err := m.sum(part); err != nil {
		return nil, err
	}
	m.Ended = time.Now().UTC()
	if err := m.write(part); err != nil {
		return nil, err
	}
	if err := os.Rename(part, dir); err != nil {
		return nil, err
	}
	return m, syncFolder(filepath.Dir(dir))
}

// copyStopped copies the data of a daemon that does not run.
func copyStopped(ctx context.Context, data, dir string) (r adminReply, err error) {
	if _, err := os.Stat(filepath.Join(data, historyDir, "blocks")); err != nil {
		return r, fmt.Errorf("%s holds no history: is data_dir right?", data)
	}
	h, err := history.Open(history.Options{Dir: filepath.Join(data, historyDir), Log: zerolog.Nop()})
	if err != nil {
		return r, err
	}
	l, err := openLedger(ctx, data)
	if err == nil {
		r, err = copyData(ctx, data, dir, h, l)
		err = errors.Join(err, l.Close())
	}
	return r, errors.Join(err, h.Close())
}

// copySettings copies the files that say how the daemon works, but none with
// secrets. The names are those of the files.
func copySettings(conf *config, file, dir string) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	var done []string
	for _, from := range []string{file, conf.FleetFile, conf.Notify.PeopleFile} {
		name := filepath.Base(from)
		if from == "" || slices.Contains(done, name) {
			continue
		}
		if err := copyFile(from, filepath.Join(dir, name)); err != nil {
			return fmt.Errorf("settings: %w", err)
		}
		done = append(done, name)
	}
	return syncFolder(dir)
}

// sum notes the checksums of the files that have none inside; the ledger's pages
// have none, its own check sees only what contradicts itself.
func (m *manifest) sum(dir string) error {
	names := []string{ledgerFile, modelsFile, influxCursor, linksFile}
	for _, folder := range []string{configDir, daysDir} {
		entries, err := os.ReadDir(filepath.Join(dir, folder))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		for _, e := range entries {
			names = append(names, filepath.Join(folder, e.Name()))
		}
	}
	for _, name := range names {
		sum, err := sumOf(filepath.Join(dir, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		m.Files[filepath.ToSlash(name)] = sum
	}
	return nil
}

func sumOf(file string) (string, error) {
	f, err := os.Open(file)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (m *manifest) write(dir string) error {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.OpenFile(filepath.Join(dir, manifestFile), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	return errors.Join(err, f.Sync(), f.Close(), syncFolder(dir))
}

// readManifest reads what a backup says of itself; nil where the folder is none.
func readManifest(dir string) (*manifest, error) {
	text, err := os.ReadFile(filepath.Join(dir, manifestFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	m := &manifest{}
	if err := json.Unmarshal(text, m); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(dir, manifestFile), err)
	}
	if m.Format != 1 {
		return nil, fmt.Errorf("%s is of format %d, this program knows 1; use the program that wrote it (%s)", dir, m.Format, m.Program)
	}
	return m, nil
}
