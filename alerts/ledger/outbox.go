package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"coilward/alerts"
)

// Message is one message to one person over one channel.
type Message struct {
	Key      string // idempotency: the same key is the same message, for ever
	Alert    string // "" for a summary
	Person   string
	Channel  string // "email", "webhook", "chat", "mqtt"
	To       string // address on the channel
	Priority alerts.Priority
	Subject  string
	Text     string
	Again    string          // goes before the text of one that may have arrived before; "": in English
	Body     json.RawMessage // for machines; nil: none
	Made     time.Time
	Due      time.Time // not before

	Attempts int
	Unsure   bool   // an attempt may have reached the person
	State    string // waiting, sent, dead, folded (into another), dropped
	Sent     time.Time
	Error    string // of the last attempt
}

func putMessage(ctx context.Context, tx *sql.Tx, m *Message) error {
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT OR IGNORE INTO outbox (key, alert, person, channel, priority, made_ms, due_ms, state, body)
		VALUES (?,?,?,?,?,?,?,'waiting',?)`, m.Key, m.Alert, m.Person, m.Channel, int(m.Priority), m.Made.UnixMilli(), m.Due.UnixMilli(), string(body))
	return err
}

// Put adds messages that belong to no alert's change, such as a summary or an
// escalation. Keys that are there already are passed over.
func (l *Ledger) Put(ctx context.Context, messages ...Message) error {
	return l.Commit(ctx, Batch{Messages: messages})
}

const messageColumns = `body, state, attempts, unsure, due_ms, sent_ms, error`

func (l *Ledger) messages(ctx context.Context, rest string, args ...any) ([]Message, error) {
	rows, err := l.read.QueryContext(ctx, "SELECT "+messageColumns+" FROM outbox "+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("read the outbox: %w", err)
	}
	defer rows.Close()
	var out []Message
	for rows.Next() {
		var m Message
		var body []byte
		var state, failure string
		var attempts int
		var unsure bool
		var due, sent int64
		if err := rows.Scan(&body, &state, &attempts, &unsure, &due, &sent, &failure); err != nil {
			return nil, err
		}
		if err := json.Unmarshal(body, &m); err != nil {
			return nil, err
		}
		m.State, m.Attempts, m.Unsure, m.Error, m.Due = state, attempts, unsure, failure, time.UnixMilli(due)
		if sent != 0 {
			m.Sent = time.UnixMilli(sent)
		}
		out = append(out, m)
	}
	return out, rows.Err()
}

// Due returns up to limit messages of a channel that are to be sent by now, the
// most urgent first, then the oldest.
func (l *Ledger) Due(ctx context.Context, channel string, now time.Time, limit int) ([]Message, error) {
	return l.messages(ctx, `WHERE state = 'waiting' AND channel = ? AND due_ms <= ? ORDER BY priority DESC, made_ms, key LIMIT ?`,
		channel, now.UnixMilli(), limit)
}

// NextDue returns when the channel's next message is due; ok is false when none
// waits.
func (l *Ledger) NextDue(ctx context.Context, channel string) (at time.Time, ok bool, err error) {
	var ms sql.NullInt64
	err = l.read.QueryRowContext(ctx, `SELECT min(due_ms) FROM outbox WHERE state = 'waiting' AND channel = ?`, channel).Scan(&ms)
	return time.UnixMilli(ms.Int64), ms.Valid, err
}

// Overdue returns the oldest message that should have been sent by now and was
// not: because nobody has tried yet, or because it failed and waits for the next
// attempt. ok is false when there is none.
func (l *Ledger) Overdue(ctx context.Context, now time.Time) (m Message, ok bool, err error) {
	found, err := l.messages(ctx, `WHERE state = 'waiting' AND (attempts > 0 OR due_ms <= ?) ORDER BY made_ms, key LIMIT 1`, now.UnixMilli())
	if err != nil || len(found) == 0 {
		return Message{}, false, err
	}
	return found[0], true, nil
}

// Undelivered returns the messages that were given up, newest first.
func (l *Ledger) Undelivered(ctx context.Context, limit int) ([]Message, error) {
	return l.messages(ctx, `WHERE state = 'dead' ORDER BY made_ms DESC, key LIMIT ?`, limit)
}

// MessagesOf returns the messages about one alert, oldest first.
func (l *Ledger) MessagesOf(ctx context.Context, alert string) ([]Message, error) {
	return l.messages(ctx, `WHERE alert = ? ORDER BY made_ms, key`, alert)
}

// Message returns one message; ok is false when there is none with the key.
func (l *Ledger) Message(ctx context.Context, key string) (m Message, ok bool, err error) {
	found, err := l.messages(ctx, `WHERE key = ?`, key)
	if err != nil || len(found) == 0 {
		return Message{}, false, err
	}
	return found[0], true, nil
}

// NewestOf returns the message made last of those whose key begins with a prefix; ok
// is false when there is none.
func (l *Ledger) NewestOf(ctx context.Context, prefix string) (m Message, ok bool, err error) {
	found, err := l.messages(ctx, `WHERE key >= ? AND key < ? ORDER BY made_ms DESC, key DESC LIMIT 1`, prefix, prefix+"\U0010FFFF")
	if err != nil || len(found) == 0 {
		return Message{}, false, err
	}
	return found[0], true, nil
}

// SentTo returns what a person was sent in [from, to), oldest first; "" for all.
func (l *Ledger) SentTo(ctx context.Context, person string, from, to time.Time) ([]Message, error) {
	return l.messages(ctx, `WHERE state = 'sent' AND (? = '' OR person = ?) AND sent_ms >= ? AND sent_ms < ? ORDER BY sent_ms, key`,
		person, person, from.UnixMilli(), to.UnixMilli())
}

// Begin counts an attempt before it is made. If the program dies before [Sent] or
// [Failed], the message is known to be one that may have gone out.
func (l *Ledger) Begin(ctx context.Context, key string) error {
	return l.update(ctx, `UPDATE outbox SET attempts = attempts + 1, unsure = 1 WHERE key = ? AND state = 'waiting'`, key)
}

// Sent says that the message went out.
func (l *Ledger) Sent(ctx context.Context, key string, at time.Time) error {
	return l.update(ctx, `UPDATE outbox SET state = 'sent', sent_ms = ?, unsure = 0, error = '' WHERE key = ?`, at.UnixMilli(), key)
}

// Failure is an attempt that did not end well.
type Failure struct {
	Next   time.Time // when to try again; zero: give up
	Cause  error
	Unsure bool // it may have reached the person all the same, this time or before
}

// Failed says that an attempt failed.
func (l *Ledger) Failed(ctx context.Context, key string, f Failure) error {
	state, due := "waiting", f.Next.UnixMilli()
	if f.Next.IsZero() {
		state, due = "dead", 0
	}
	return l.update(ctx, `UPDATE outbox SET state = ?, due_ms = ?, unsure = ?, error = ? WHERE key = ? AND state = 'waiting'`,
		state, due, f.Unsure, f.Cause.Error(), key)
}

// Delay puts a message off without counting an attempt.
func (l *Ledger) Delay(ctx context.Context, key string, until time.Time) error {
	return l.update(ctx, `UPDATE outbox SET due_ms = ? WHERE key = ? AND state = 'waiting'`, until.UnixMilli(), key)
}

// Drop gives up a message that says nothing new any more, and keeps why.
func (l *Ledger) Drop(ctx context.Context, key, why string) error {
	return l.update(ctx, `UPDATE outbox SET state = 'dropped', error = ? WHERE key = ? AND state = 'waiting'`, why, key)
}

// Fold replaces messages by one that tells them together.
func (l *Ledger) Fold(ctx context.Context, keys []string, into Message) error {
	return within(ctx, l.write, func(tx *sql.Tx) error {
		if err := putMessage(ctx, tx, &into); err != nil {
			return err
		}
		for _, k := range keys {
			if _, err := tx.ExecContext(ctx, `UPDATE outbox SET state = 'folded', folded = ? WHERE key = ? AND state = 'waiting'`, into.Key, k); err != nil {
				return err
			}
		}
		return nil
	})
}

// Retry sends a message that was given up once more.
func (l *Ledger) Retry(ctx context.Context, key string, at time.Time) error {
	return l.update(ctx, `UPDATE outbox SET state = 'waiting', due_ms = ?, attempts = 0 WHERE key = ? AND state = 'dead'`, at.UnixMilli(), key)
}

func (l *Ledger) update(ctx context.Context, query string, args ...any) error {
	if _, err := l.write.ExecContext(ctx, query, args...); err != nil {
		return fmt.Errorf("update the outbox: %w", err)
	}
	return nil
}
