package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// A daemon takes orders about its data on a socket in its data folder, which only
// its own user and root may open. The board is no place for them: a reverse proxy
// before it is on loopback too.
const (
	adminSocket    = "admin.sock"
	checkpointsDir = "checkpoints"
)

// adminReply is what an order led to.
type adminReply struct {
	Dir   string `json:"dir"`
	First uint64 `json:"first_reading"` // of the history, in the copy
	Last  uint64 `json:"last_reading"`
	Error string `json:"error,omitempty"`
}

// admin serves the socket until ctx ends.
func (d *daemon) admin(ctx context.Context) error {
	// What a process left that was killed.
	if err := os.RemoveAll(filepath.Join(d.config.DataDir, checkpointsDir)); err != nil {
		d.log.Warn().Err(err).Msg("old checkpoints cannot be removed; they take room on the disk")
	}
	path := filepath.Join(d.config.DataDir, adminSocket)
	// The history is ours, so nobody else listens there.
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		d.log.Warn().Err(err).Msg("the old admin socket cannot be removed")
	}
	l, err := net.Listen("unix", path)
	if err == nil {
		err = os.Chmod(path, 0o600)
	}
	if err != nil {
		d.log.Warn().Err(err).Msg("no admin socket: backups, imports and trials work only while this is stopped; a data_dir with a shorter name may help")
		if l != nil {
			l.Close()
		}
		return nil
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /backup", d.adminBackup)
	mux.HandleFunc("POST /checkpoint", d.adminCheckpoint)
	mux.HandleFunc("POST /import", d.adminImport)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, BaseContext: func(net.Listener) context.Context { return ctx }}
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	select {
	case err := <-served:
		return fmt.Errorf("admin socket: %w", err)
	case <-ctx.Done():
	}
	// Orders under way are given up with the context; wait for that.
	err = server.Shutdown(context.WithoutCancel(ctx))
	<-served
	return err
}

func reply(w http.ResponseWriter, r adminReply, err error) {
	if err != nil {
		r.Error = err.Error()
		w.WriteHeader(http.StatusInternalServerError)
	}
	_ = json.NewEncoder(w).Encode(r) // nobody to tell if the asker is gone
}

// adminBackup copies the data into a folder.
func (d *daemon) adminBackup(w http.ResponseWriter, r *http.Request) {
	var order struct {
		Dir string `json:"dir"`
	}
	err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 64<<10)).Decode(&order)
	if err == nil && !filepath.IsAbs(order.Dir) {
		err = errors.New("the folder's name must begin at the root")
	}
	var out adminReply
	if err == nil {
		out, err = copyData(r.Context(), d.config.DataDir, order.Dir, d.history, d.ledger)
	}
	if err != nil {
		d.log.Error().Err(err).Str("dir", order.Dir).Msg("the backup failed")
	} else {
		d.log.Info().Str("dir", order.Dir).Uint64("readings", out.Last).Msg("backed up")
	}
	reply(w, out, err)
}

// adminCheckpoint makes a copy of the history beside it, which costs next to
// nothing, and keeps it until the asker hangs up.
func (d *daemon) adminCheckpoint(w http.ResponseWriter, r *http.Request) {
	parent := filepath.Join(d.config.DataDir, checkpointsDir)
	var dir string
	_, _ = io.Copy(io.Discard, r.Body) // only then is hanging up noticed
	err := os.MkdirAll(parent, 0o750)
	if err == nil {
		dir, err = os.MkdirTemp(parent, "")
	}
	if err == nil {
		defer os.RemoveAll(dir)
		err = d.history.Backup(filepath.Join(dir, "history"))
	}
	reply(w, adminReply{Dir: dir, Last: d.history.LastSeq()}, err)
	if err == nil && http.NewResponseController(w).Flush() == nil {
		<-r.Context().Done()
	}
}

// askDaemon gives the daemon of a data folder an order. running is false where there is
// none. hangUp, when not nil, must be called; until then a checkpoint is kept.
func askDaemon(ctx context.Context, data, path string, order any) (r adminReply, running bool, hangUp func(), err error) {
	socket := filepath.Join(data, adminSocket)
	var dialer net.Dialer
	conn, err := dialer.DialContext(ctx, "unix", socket)
	switch {
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, syscall.EINVAL):
		return r, false, nil, nil // never started, ended, or a name too long for a socket
	case errors.Is(err, fs.ErrPermission):
		return r, true, nil, fmt.Errorf("a daemon may be using %s, but %w; run this as the daemon's user or as root", data, err)
	case err != nil:
		return r, false, nil, err
	}
	client := http.Client{Transport: &http.Transport{
		DialContext: func(context.Context, string, string) (net.Conn, error) { return conn, nil },
	}}
	body, err := json.Marshal(order)
	if err != nil {
		return r, true, nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	hangUp = func() { cancel(); client.CloseIdleConnections(); conn.Close() }
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://admin"+path, bytes.NewReader(body))
	if err != nil {
		hangUp()
		return r, true, nil, err
	}
	response, err := client.Do(request)
	if err == nil {
		err = json.NewDecoder(response.Body).Decode(&r)
		if errors.Is(err, io.EOF) {
			err = errors.New("the daemon stopped meanwhile")
		}
	}
	if err == nil && r.Error != "" {
		err = errors.New(r.Error)
	}
	if err != nil {
		hangUp()
		return r, true, nil, fmt.Errorf("the daemon that uses %s: %w", data, err)
	}
	return r, true, hangUp, nil
}

// askCheckpoint has the daemon that uses the data folder make a checkpoint; "" if
// none does.
func askCheckpoint(ctx context.Context, data string) (dir string, hangUp func(), err error) {
	r, running, hangUp, err := askDaemon(ctx, data, "/checkpoint", struct{}{})
	if err != nil || !running {
		return "", func() {}, err
	}
	// The daemon may know the folder by another name, as in a container.
	return filepath.Join(data, checkpointsDir, filepath.Base(strings.TrimRight(r.Dir, "/"))), hangUp, nil
}
