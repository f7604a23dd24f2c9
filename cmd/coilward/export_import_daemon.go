package main

import (
	"bytes"
	"context"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"slices"

	"coilward/collector"
)

// importOrder is what the daemon is sent, as gob.
type importOrder struct {
	Rows []collector.Reading
	End  bool // put everything that was taken on the disk
}

// importReply is what became of it.
type importReply struct {
	kept
	Error string `json:"error,omitempty"`
}

const mostImportBytes = 16 << 20

// adminImport takes rows of an import.
func (d *daemon) adminImport(w http.ResponseWriter, r *http.Request) {
	var order importOrder
	var out importReply
	err := gob.NewDecoder(http.MaxBytesReader(w, r.Body, mostImportBytes)).Decode(&order)
	switch {
	case err != nil:
		err = fmt.Errorf("the order cannot be read, the programs may be of different versions: %w", err)
	case !d.recovered.Load():
		err = errors.New("models are being worked out from the history; try again when /readyz says ready")
	case order.End:
		err = d.history.Flush()
	default:
		k := keeper{store: d.history, retainDays: d.config.History.RetainDays, now: collector.MillisOf(d.clock.Now()), append: d.appendOld}
		out.kept, err = k.keep(r.Context(), order.Rows)
	}
	if err != nil {
		out.Error = err.Error()
		w.WriteHeader(http.StatusInternalServerError)
	}
	_ = json.NewEncoder(w).Encode(out) // nobody to tell if the asker is gone
}

// appendOld stores readings beside those that come in, as if they came in now,
// and takes them to the models, which know what is too late for them: a replay of
// the history would do the same.
func (d *daemon) appendOld(ctx context.Context, rows []collector.Reading) error {
	for chunk := range slices.Chunk(rows, aloneRows) {
		err := d.gate.alone(ctx, collector.MillisOf(d.clock.Now()), func(received collector.Millis) error {
			for i := range chunk {
				chunk[i].Received = received
			}
			if err := d.history.Append(ctx, chunk); err != nil {
				return err
			}
			// What is on disk is handed on even when ctx is done.
			return d.next(context.WithoutCancel(ctx), chunk, d.history.LastSeq())
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// aloneRows is how many rows are stored while messages wait: a few milliseconds.
const aloneRows = 1_000

// remote is a daemon that is given rows.
type remote struct {
	client *http.Client
	data   string
}

// findDaemon returns the daemon that uses a data folder; nil if none takes orders
// there.
func findDaemon(ctx context.Context, data string) *remote {
	socket := filepath.Join(data, adminSocket)
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", socket)
	}
	conn, err := dial(ctx, "", "")
	if err != nil {
		return nil
	}
	_ = conn.Close()
	return &remote{client: &http.Client{Transport: &http.Transport{DialContext: dial}}, data: data}
}

func (m *remote) close() { m.client.CloseIdleConnections() }

// keep is a keeper's.
func (m *remote) keep(ctx context.Context, rows []collector.Reading) (kept, error) {
	return m.order(ctx, importOrder{Rows: rows})
}

func (m *remote) flush(ctx context.Context) error {
	_, err := m.order(context.WithoutCancel(ctx), importOrder{End: true})
	return err
}

func (m *remote) order(ctx context.Context, o importOrder) (out kept, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("the daemon that uses %s: %w; what it took is kept, give the same files again to go on", m.data, err)
		}
	}()
	var body bytes.Buffer
	if err := gob.NewEncoder(&body).Encode(o); err != nil {
		return out, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://admin/import", &body)
	if err != nil {
		return out, err
	}
	response, err := m.client.Do(request)
	if err != nil {
		return out, err
	}
	defer response.Body.Close()
	if response.StatusCode == http.StatusNotFound {
		return out, errors.New("it is of a version that takes no imports: stop it, and import then")
	}
	var reply importReply
	if err := json.NewDecoder(response.Body).Decode(&reply); err != nil {
		if errors.Is(err, io.EOF) {
			err = errors.New("it stopped meanwhile")
		}
		return out, err
	}
	if reply.Error != "" {
		return reply.kept, errors.New(reply.Error)
	}
	return reply.kept, nil
}
