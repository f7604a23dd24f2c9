package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"coilward/alerts"
	"coilward/collector"
)

// Batch is what one finding, one order or one passing of time led to.
type Batch struct {
	Taken    []Taken         // changes of findings that led to it
	Changes  []alerts.Change // of the queue
	Queue    []byte          // the queue's snapshot; nil: unchanged
	Messages []Message
}

// Taken names one change of one finding.
type Taken struct {
	Finding string
	Seq     int
	At      collector.Millis
}

// Commit writes the batch in one transaction, on disk when it returns nil. What
// is there already, by (alert, seq), (finding, seq) or a message's key, stays as
// it is, so a batch may be committed again.
func (l *Ledger) Commit(ctx context.Context, b Batch) error {
	err := within(ctx, l.write, func(tx *sql.Tx) error {
		for _, t := range b.Taken {
			if _, err := tx.ExecContext(ctx, `INSERT INTO taken VALUES (?,?,?)
				ON CONFLICT (finding) DO UPDATE SET seq = excluded.seq, at_ms = excluded.at_ms WHERE excluded.seq > seq`,
				t.Finding, t.Seq, int64(t.At)); err != nil {
				return err
			}
		}
		for i := range b.Changes {
			if err := putChange(ctx, tx, &b.Changes[i]); err != nil {
				return err
			}
		}
		for i := range b.Messages {
			if err := putMessage(ctx, tx, &b.Messages[i]); err != nil {
				return err
			}
		}
		if b.Queue != nil {
			_, err := tx.ExecContext(ctx, `INSERT INTO snapshot VALUES ('queue', ?) ON CONFLICT (name) DO UPDATE SET body = excluded.body`, b.Queue)
			return err
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("write to the alert ledger: %w", err)
	}
	return nil
}

func putChange(ctx context.Context, tx *sql.Tx, c *alerts.Change) error {
	if r := c.Report; r != nil {
		line, err := json.Marshal(r)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO report VALUES (?,?,?,?,?,?)`,
			r.Finding, r.Seq, int64(r.At), r.Machine, r.Site, string(line)); err != nil {
			return err
		}
	}
	if a := c.Alert; a != nil {
		body, err := json.Marshal(a)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO alert VALUES (?,?,?,?,?,?,?,?,?)
			ON CONFLICT (id) DO UPDATE SET seq = excluded.seq, state = excluded.state, priority = excluded.priority, site = excluded.site,
			machine = excluded.machine, opened_ms = excluded.opened_ms, moved_ms = excluded.moved_ms, body = excluded.body WHERE excluded.seq > seq`,
			a.ID, a.Seq, a.State.String(), int(a.Priority), a.Site, a.Machine, int64(a.OpenedAt), int64(a.MovedAt), string(body)); err != nil {
			return err
		}
	}
	if s := c.Step; s.Alert != "" {
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO move VALUES (?,?,?,?,?,?,?,?,?,?)`,
			s.Alert, s.Seq, int64(s.At), s.Verb.String(), s.From.String(), s.To.String(), int(s.By.Role), s.By.Name, s.Reason, int64(s.Until)); err != nil {
			return err
		}
	}
	return nil
}

// HasTaken reports whether this change of the finding was committed.
func (l *Ledger) HasTaken(ctx context.Context, finding string, seq int) (bool, error) {
	var have int
	err := l.read.QueryRowContext(ctx, `SELECT seq FROM taken WHERE finding = ?`, finding).Scan(&have)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil && have >= seq, err
}

// Queue returns the queue's snapshot, nil if there is none yet.
func (l *Ledger) Queue(ctx context.Context) ([]byte, error) {
	var b []byte
	err := l.read.QueryRowContext(ctx, `SELECT body FROM snapshot WHERE name = 'queue'`).Scan(&b)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return b, err
}
