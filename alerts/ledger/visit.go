package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Visit is a tech's visit to a machine as it is kept; Body is the whole of it.
type Visit struct {
	ID      string
	Machine string
	Site    string
	Alert   string    // that led there
	At      time.Time // of the last change
	Closed  bool      // it has an outcome
	Label   string    // what a person found: a fault, "well", or "" not known
	Body    json.RawMessage
}

// VisitQuery selects visits. Zero fields select nothing out.
type VisitQuery struct {
	Machine, Alert string
	Labelled       bool      // closed, and a person could tell what it was
	From, To       time.Time // changed last in [From, To)
	Limit          int       // 0: 100
}

// PutVisit keeps a visit as it is now, in place of what was kept under its ID.
// who and what are for the audit; what "" writes none.
func (l *Ledger) PutVisit(ctx context.Context, v Visit, who, what string) error {
	if v.ID == "" || v.Machine == "" || !json.Valid(v.Body) {
		return errors.New("keep a visit: an id, a machine and a JSON body are needed")
	}
	err := within(ctx, l.write, func(tx *sql.Tx) error {
		closed := 0
		if v.Closed {
			closed = 1
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO visit VALUES (?,?,?,?,?,?,?,?) ON CONFLICT (id) DO UPDATE SET machine = excluded.machine,
			site = excluded.site, alert = excluded.alert, at_ms = excluded.at_ms, closed = excluded.closed, label = excluded.label, body = excluded.body`,
			v.ID, v.Machine, v.Site, v.Alert, v.At.UnixMilli(), closed, v.Label, string(v.Body)); err != nil {
			return err
		}
		if what == "" {
			return nil
		}
		return note(ctx, tx, v.At, who, what, v.ID)
	})
	if err != nil {
		return fmt.Errorf("keep the visit to %s: %w", v.Machine, err)
	}
	return nil
}

// Visit returns one visit, ErrNone when there is none.
func (l *Ledger) Visit(ctx context.Context, id string) (Visit, error) {
	all, err := l.visits(ctx, `WHERE id = ?`, id)
	if err == nil && len(all) == 0 {
		return Visit{}, fmt.Errorf("visit %s: %w", id, ErrNone)
	}
	if err != nil {
		return Visit{}, err
	}
	return all[0], nil
}

// Visits returns what the query selects, newest first.
func (l *Ledger) Visits(ctx context.Context, q VisitQuery) ([]Visit, error) {
	where, args := []string{"1"}, []any{}
	add := func(cond string, v any) { where, args = append(where, cond), append(args, v) }
	if q.Machine != "" {
		add("machine = ?", q.Machine)
	}
	if q.Alert != "" {
		add("alert = ?", q.Alert)
	}
	if q.Labelled {
		where = append(where, "closed = 1 AND label <> ''")
	}
	if !q.From.IsZero() {
		add("at_ms >= ?", q.From.UnixMilli())
	}
	if !q.To.IsZero() {
		add("at_ms < ?", q.To.UnixMilli())
	}
	if q.Limit <= 0 {
		q.Limit = 100
	}
	return l.visits(ctx, "WHERE "+strings.Join(where, " AND ")+" ORDER BY at_ms DESC, id LIMIT ?", append(args, q.Limit)...)
}

func (l *Ledger) visits(ctx context.Context, rest string, args ...any) ([]Visit, error) {
	rows, err := l.read.QueryContext(ctx, `SELECT id, machine, site, alert, at_ms, closed, label, body FROM visit `+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("read visits: %w", err)
	}
	defer rows.Close()
	var out []Visit
	for rows.Next() {
		var v Visit
		var ms int64
		var body []byte
		if err := rows.Scan(&v.ID, &v.Machine, &v.Site, &v.Alert, &ms, &v.Closed, &v.Label, &body); err != nil {
			return nil, err
		}
		v.At, v.Body = time.UnixMilli(ms).UTC(), body
		out = append(out, v)
	}
	return out, rows.Err()
}
