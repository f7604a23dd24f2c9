package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"coilward/alerts"
	"coilward/collector"
)

// Query selects alerts. Zero fields select nothing out.
type Query struct {
	Open     bool // not over yet
	Site     string
	Machine  string
	From, To collector.Millis // opened in [From, To)
	Limit    int              // 0: 1000
}

// ErrNone is returned for an alert or a setting that is not there.
var ErrNone = errors.New("not in the ledger")

// Alerts returns what the query selects, newest first.
func (l *Ledger) Alerts(ctx context.Context, q Query) ([]alerts.Alert, error) {
	where, args := []string{"1"}, []any{}
	add := func(cond string, v any) { where, args = append(where, cond), append(args, v) }
	if q.Open {
		add("state <> ?", alerts.Normal.String())
	}
	if q.Site != "" {
		add("site = ?", q.Site)
	}
	if q.Machine != "" {
		// A site's alert is about each of its members too.
		add("(machine = ?1 OR EXISTS (SELECT 1 FROM json_each(body, '$.Members') m WHERE m.value ->> 'Machine' = ?1))", q.Machine)
		where[len(where)-1] = strings.ReplaceAll(where[len(where)-1], "?1", fmt.Sprintf("?%d", len(args)))
	}
	if q.From != 0 {
		add("opened_ms >= ?", int64(q.From))
	}
	if q.To != 0 {
		add("opened_ms < ?", int64(q.To))
	}
	if q.Limit <= 0 {
		q.Limit = 1000
	}
	rows, err := l.read.QueryContext(ctx, "SELECT body FROM alert WHERE "+strings.Join(where, " AND ")+
		" ORDER BY opened_ms DESC, id LIMIT ?", append(args, q.Limit)...)
	if err != nil {
		return nil, fmt.Errorf("read alerts: %w", err)
	}
	return scan[alerts.Alert](rows)
}

// scan reads rows of one JSON column.
func scan[T any](rows *sql.Rows) ([]T, error) {
	defer rows.Close()
	var out []T
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			return nil, err
		}
		var v T
		if err := json.Unmarshal(body, &v); err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// Alert returns one alert, over or not.
func (l *Ledger) Alert(ctx context.Context, id string) (alerts.Alert, error) {
	var a alerts.Alert
	var body []byte
	err := l.read.QueryRowContext(ctx, `SELECT body FROM alert WHERE id = ?`, id).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return a, fmt.Errorf("alert %s: %w", id, ErrNone)
	}
	if err != nil {
		return a, err
	}
	return a, json.Unmarshal(body, &a)
}

// Moves returns the moves of one alert, oldest first: its audit.
func (l *Ledger) Moves(ctx context.Context, alert string) ([]alerts.Step, error) {
	return l.moves(ctx, `WHERE alert = ? ORDER BY seq`, alert)
}

func (l *Ledger) moves(ctx context.Context, rest string, args ...any) ([]alerts.Step, error) {
	rows, err := l.read.QueryContext(ctx, `SELECT alert, seq, at_ms, verb, from_state, to_state, role, who, reason, until_ms FROM move `+rest, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []alerts.Step
	for rows.Next() {
		var s alerts.Step
		var verb, from, to []byte
		if err := rows.Scan(&s.Alert, &s.Seq, &s.At, &verb, &from, &to, &s.By.Role, &s.By.Name, &s.Reason, &s.Until); err != nil {
			return nil, err
		}
		if err := errors.Join(s.Verb.UnmarshalText(verb), s.From.UnmarshalText(from), s.To.UnmarshalText(to)); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// MovesWithin returns the moves of all alerts with from ≤ at < to, in the order of
// time.
func (l *Ledger) MovesWithin(ctx context.Context, from, to collector.Millis) ([]alerts.Step, error) {
	return l.moves(ctx, `WHERE at_ms >= ? AND at_ms < ? ORDER BY at_ms, alert, seq`, int64(from), int64(to))
}

// Reports returns the report lines of one machine, "" for all, with from ≤ at < to,
// oldest first.
func (l *Ledger) Reports(ctx context.Context, machine string, from, to collector.Millis) ([]json.RawMessage, error) {
	where, args := `at_ms >= ? AND at_ms < ?`, []any{int64(from), int64(to)}
	if machine != "" {
		where, args = where+` AND machine = ?`, append(args, machine)
	}
	rows, err := l.read.QueryContext(ctx, `SELECT line FROM report WHERE `+where+` ORDER BY at_ms, finding, seq`, args...)
	if err != nil {
		return nil, err
	}
	return scan[json.RawMessage](rows)
}

// Newest returns the pipeline time of the newest finding or report, 0 if there
// is none.
func (l *Ledger) Newest(ctx context.Context) (collector.Millis, error) {
	var at sql.NullInt64
	err := l.read.QueryRowContext(ctx, `SELECT max(at) FROM (SELECT max(at_ms) AS at FROM report UNION ALL SELECT max(at_ms) FROM taken)`).Scan(&at)
	if err != nil {
		return 0, fmt.Errorf("read the newest finding: %w", err)
	}
	return collector.Millis(at.Int64), nil
}
