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

// Setting is one version of something people set: limits, rota, people.
type Setting struct {
	Name    string
	Version int // 1, 2, …
	At      time.Time
	Who     string
	Why     string
	Body    json.RawMessage
}

// Save adds a version of the setting and returns it. base is the version the
// change was made on, 0 for none: if somebody saved another since, nothing is
// written.
func (l *Ledger) Save(ctx context.Context, s Setting, base int) (Setting, error) {
	if strings.TrimSpace(s.Who) == "" || !json.Valid(s.Body) {
		return s, fmt.Errorf("save %s: who saves it, and a JSON value, are needed", s.Name)
	}
	err := within(ctx, l.write, func(tx *sql.Tx) error {
		var last int
		if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(version), 0) FROM setting WHERE name = ?`, s.Name).Scan(&last); err != nil {
			return err
		}
		if last != base {
			return fmt.Errorf("version %d was saved meanwhile; look at it and save again", last)
		}
		s.Version = last + 1
		if _, err := tx.ExecContext(ctx, `INSERT INTO setting VALUES (?,?,?,?,?,?)`, s.Name, s.Version, s.At.UnixMilli(), s.Who, s.Why, string(s.Body)); err != nil {
			return err
		}
		return note(ctx, tx, s.At, s.Who, "saved "+s.Name, fmt.Sprintf("version %d: %s", s.Version, s.Why))
	})
	if err != nil {
		return s, fmt.Errorf("save %s: %w", s.Name, err)
	}
	return s, nil
}

// Setting returns the newest version.
func (l *Ledger) Setting(ctx context.Context, name string) (Setting, error) {
	all, err := l.settings(ctx, `WHERE name = ? ORDER BY version DESC LIMIT 1`, name)
	if err == nil && len(all) == 0 {
		return Setting{}, fmt.Errorf("setting %s: %w", name, ErrNone)
	}
	if err != nil {
		return Setting{}, err
	}
	return all[0], nil
}

// Versions returns every version, newest first.
func (l *Ledger) Versions(ctx context.Context, name string) ([]Setting, error) {
	return l.settings(ctx, `WHERE name = ? ORDER BY version DESC`, name)
}

// Undo saves the body of an older version as the newest.
func (l *Ledger) Undo(ctx context.Context, name string, to int, who string, at time.Time) (Setting, error) {
	old, err := l.settings(ctx, `WHERE name = ? AND version = ?`, name, to)
	if err != nil {
		return Setting{}, err
	}
	last, lastErr := l.Setting(ctx, name)
	if len(old) == 0 || lastErr != nil {
		return Setting{}, errors.Join(fmt.Errorf("setting %s version %d: %w", name, to, ErrNone), lastErr)
	}
	return l.Save(ctx, Setting{Name: name, At: at, Who: who, Why: fmt.Sprintf("back to version %d", to), Body: old[0].Body}, last.Version)
}

func (l *Ledger) settings(ctx context.Context, rest string, args ...any) ([]Setting, error) {
	rows, err := l.read.QueryContext(ctx, `SELECT name, version, at_ms, who, why, body FROM setting `+rest, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Setting
	for rows.Next() {
		var s Setting
		var ms int64
		var body []byte
		if err := rows.Scan(&s.Name, &s.Version, &ms, &s.Who, &s.Why, &body); err != nil {
			return nil, err
		}
		s.At, s.Body = time.UnixMilli(ms).UTC(), body
		out = append(out, s)
	}
	return out, rows.Err()
}

// Entry is a line of the audit.
type Entry struct {
	At                time.Time
	Who, What, Detail string
}

// Note writes a line of the audit.
func (l *Ledger) Note(ctx context.Context, e Entry) error {
	return within(ctx, l.write, func(tx *sql.Tx) error { return note(ctx, tx, e.At, e.Who, e.What, e.Detail) })
}

func note(ctx context.Context, tx *sql.Tx, at time.Time, who, what, detail string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO audit (at_ms, who, what, detail) VALUES (?,?,?,?)`, at.UnixMilli(), who, what, detail)
	return err
}

// Audit returns the newest lines, newest first.
func (l *Ledger) Audit(ctx context.Context, limit int) ([]Entry, error) {
	rows, err := l.read.QueryContext(ctx, `SELECT at_ms, who, what, detail FROM audit ORDER BY id DESC LIMIT ?`, limit)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var ms int64
		if err := rows.Scan(&ms, &e.Who, &e.What, &e.Detail); err != nil {
			return nil, err
		}
		e.At = time.UnixMilli(ms).UTC()
		out = append(out, e)
	}
	return out, rows.Err()
}
