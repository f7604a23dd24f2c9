// Package ledgertest is the suite that every keeper of alerts passes.
package ledgertest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// Store is what the suite holds to its promises.
type Store interface {
	Commit(ctx context.Context, b ledger.Batch) error
	HasTaken(ctx context.Context, finding string, seq int) (bool, error)
	Queue(ctx context.Context) ([]byte, error)
	Alerts(ctx context.Context, q ledger.Query) ([]alerts.Alert, error)
	Alert(ctx context.Context, id string) (alerts.Alert, error)
	Moves(ctx context.Context, alert string) ([]alerts.Step, error)
	Reports(ctx context.Context, machine string, from, to collector.Millis) ([]json.RawMessage, error)
	Due(ctx context.Context, channel string, now time.Time, limit int) ([]ledger.Message, error)
	NextDue(ctx context.Context, channel string) (time.Time, bool, error)
	Sent(ctx context.Context, key string, at time.Time) error
	Begin(ctx context.Context, key string) error
	Failed(ctx context.Context, key string, f ledger.Failure) error
	Delay(ctx context.Context, key string, until time.Time) error
	Fold(ctx context.Context, keys []string, into ledger.Message) error
	Retry(ctx context.Context, key string, at time.Time) error
	Undelivered(ctx context.Context, limit int) ([]ledger.Message, error)
	MessagesOf(ctx context.Context, alert string) ([]ledger.Message, error)
	SentTo(ctx context.Context, person string, from, to time.Time) ([]ledger.Message, error)
	Save(ctx context.Context, s ledger.Setting, base int) (ledger.Setting, error)
	Setting(ctx context.Context, name string) (ledger.Setting, error)
	Versions(ctx context.Context, name string) ([]ledger.Setting, error)
	Undo(ctx context.Context, name string, to int, who string, at time.Time) (ledger.Setting, error)
	Audit(ctx context.Context, limit int) ([]ledger.Entry, error)
}

// T0 is when the suite's story begins.
var T0 = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

// Finding is the n-th invented finding.
func Finding(n int) detect.Finding {
	at := collector.MillisOf(T0).Add(time.Duration(n) * 20 * time.Minute)
	return detect.Finding{ID: fmt.Sprintf("F-%06d", n), Machine: fmt.Sprintf("cab-%04d", n), Site: "harbor-row", At: at, RaisedAt: at, Since: at,
		Fault: fault.CompressorNotStarting, Probability: 0.95, LimitAt: at.Add(3 * time.Hour), LimitSide: detect.Warm,
		Candidates: []detect.Candidate{{Fault: fault.CompressorNotStarting, Probability: 0.95}},
		Evidence:   []detect.Evidence{{Text: "called for 20 min, 0.0 A", Weight: 4.2}}}
}

// Batch is what the n-th finding leads to, a message to ana included.
func Batch(q *alerts.Queue, n int) ledger.Batch {
	f := Finding(n)
	c := q.Apply(f)
	c = append(c, q.Advance(f.At.Add(10*time.Minute))...)
	snap, err := q.Snapshot()
	if err != nil {
		panic(err)
	}
	made := f.At.Time()
	return ledger.Batch{Taken: []ledger.Taken{{Finding: f.ID, Seq: f.Seq, At: f.At}}, Changes: c, Queue: snap,
		Messages: []ledger.Message{{Key: f.ID + "/opened/ana/email", Alert: "A-" + f.ID, Person: "ana", Channel: "email",
			Priority: alerts.High, Subject: "cab", Text: "text", Made: made, Due: made}}}
}

// Run holds a fresh store to every promise.
func Run(t *testing.T, open func(t *testing.T) Store) {
	ctx := context.Background()
	t.Run("a batch is whole, and the same again adds nothing", func(t *testing.T) {
		s, q := open(t), alerts.New(alerts.Options{})
		b := Batch(q, 1)
		for range 2 {
			if err := s.Commit(ctx, b); err != nil {
				t.Fatal(err)
			}
		}
		got, err := s.Alerts(ctx, ledger.Query{Open: true})
		if err != nil || len(got) != 1 {
			t.Fatalf("open alerts %v, %v, want one", got, err)
		}
		want := q.Alerts()
		want[0].Why = got[0].Why // the queue writes the line anew, for the time it has reached
		if !reflect.DeepEqual(got, want) {
			t.Errorf("alert came back as\n%+v, was\n%+v", got, want)
		}
		if moves, err := s.Moves(ctx, got[0].ID); err != nil || len(moves) != 1 || moves[0].Verb != alerts.Raise {
			t.Errorf("moves %v, %v, want the raise alone", moves, err)
		}
		if lines, err := s.Reports(ctx, "cab-0001", 0, 1<<62); err != nil || len(lines) != 1 {
			t.Errorf("%d report lines, %v, want 1", len(lines), err)
		}
		if m, err := s.Due(ctx, "email", T0.Add(time.Hour), 10); err != nil || len(m) != 1 {
			t.Errorf("%d messages due, %v, want 1", len(m), err)
		}
		if has, err := s.HasTaken(ctx, "F-000001", 0); err != nil || !has {
			t.Errorf("HasTaken = %v, %v", has, err)
		}
		if has, err := s.HasTaken(ctx, "F-000001", 1); err != nil || has {
			t.Errorf("HasTaken of a change to come = %v, %v", has, err)
		}
		snap, err := s.Queue(ctx)
		if err != nil {
			t.Fatal(err)
		}
		back := alerts.New(alerts.Options{})
		if err := back.Restore(snap); err != nil || !reflect.DeepEqual(back.Alerts(), q.Alerts()) {
			t.Errorf("the queue does not come back: %v", err)
		}
	})
	t.Run("an older state never replaces a newer", func(t *testing.T) {
		s, q := open(t), alerts.New(alerts.Options{})
		b := Batch(q, 1)
		c, err := q.Do("A-F-000001", alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: "ana"}, At: b.Taken[0].At.Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range []ledger.Batch{{Changes: c}, b} {
			if err := s.Commit(ctx, x); err != nil {
				t.Fatal(err)
			}
		}
		a, err := s.Alert(ctx, "A-F-000001")
		if err != nil || a.State != alerts.Acknowledged || a.AcknowledgedBy != "ana" {
			t.Errorf("alert is %v by %q, %v, want acknowledged by ana", a.State, a.AcknowledgedBy, err)
		}
		if _, err := s.Alert(ctx, "A-none"); !errors.Is(err, ledger.ErrNone) {
			t.Errorf("an alert that is not there: %v", err)
		}
	})
	t.Run("outbox", func(t *testing.T) { outbox(t, open(t)) })
	t.Run("settings", func(t *testing.T) { settings(t, open(t)) })
}

func outbox(t *testing.T, s Store) {
	ctx, now := context.Background(), T0.Add(2*time.Hour)
	q := alerts.New(alerts.Options{})
	for n := range 4 {
		if err := s.Commit(ctx, Batch(q, n)); err != nil {
			t.Fatal(err)
		}
	}
	due := func() []string {
		t.Helper()
		ms, err := s.Due(ctx, "email", now, 10)
		if err != nil {
			t.Fatal(err)
		}
		var keys []string
		for _, m := range ms {
			keys = append(keys, m.Alert)
		}
		return keys
	}
	key := func(n int) string { return fmt.Sprintf("F-%06d/opened/ana/email", n) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.Sent(ctx, key(0), now))
	must(s.Begin(ctx, key(1)))
	must(s.Failed(ctx, key(1), ledger.Failure{Next: now.Add(time.Minute), Cause: errors.New("550 no")}))
	must(s.Begin(ctx, key(2)))
	if ms, err := s.MessagesOf(ctx, "A-F-000002"); err != nil || len(ms) != 1 || !ms[0].Unsure || ms[0].Attempts != 1 {
		t.Errorf("a begun message is %+v, %v; want it unsure, one attempt", ms, err)
	}
	if got := due(); !reflect.DeepEqual(got, []string{"A-F-000002", "A-F-000003"}) {
		t.Errorf("due %v", got)
	}
	if at, ok, err := s.NextDue(ctx, "email"); err != nil || !ok || at.After(now) {
		t.Errorf("next due %v, %v, %v", at, ok, err)
	}
	must(s.Begin(ctx, key(1)))
	must(s.Failed(ctx, key(1), ledger.Failure{Cause: errors.New("550 no")}))
	dead, err := s.Undelivered(ctx, 10)
	if err != nil || len(dead) != 1 || dead[0].Error != "550 no" || dead[0].Attempts != 2 {
		t.Errorf("undelivered %+v, %v", dead, err)
	}
	must(s.Retry(ctx, key(1), now))
	must(s.Retry(ctx, key(0), now)) // was sent: stays sent
	if got := due(); len(got) != 3 {
		t.Errorf("due after retry %v", got)
	}
	must(s.Delay(ctx, key(1), now.Add(time.Hour)))
	must(s.Fold(ctx, []string{key(0), key(2), key(3)}, ledger.Message{Key: "flood/ana", Person: "ana", Channel: "email", Made: now, Due: now}))
	if got := due(); len(got) != 1 || got[0] != "" {
		t.Errorf("due after folding %v, want the one message", got)
	}
	sent, err := s.SentTo(ctx, "ana", T0, now.Add(time.Hour))
	if err != nil || len(sent) != 1 || sent[0].Key != key(0) {
		t.Errorf("sent to ana %v, %v: a sent message must not be folded", sent, err)
	}
	if ms, err := s.MessagesOf(ctx, "A-F-000003"); err != nil || len(ms) != 1 || ms[0].State != "folded" {
		t.Errorf("messages of the folded alert %+v, %v", ms, err)
	}
}

func settings(t *testing.T, s Store) {
	ctx := context.Background()
	save := func(body string, base int) error {
		_, err := s.Save(ctx, ledger.Setting{Name: "rota", At: T0, Who: "ada", Why: "because", Body: json.RawMessage(body)}, base)
		return err
	}
	if err := errors.Join(save(`{"a":1}`, 0), save(`{"a":2}`, 1)); err != nil {
		t.Fatal(err)
	}
	if err := save(`{"a":3}`, 1); err == nil {
		t.Error("a save over somebody else's was taken")
	}
	if err := save(`{`, 2); err == nil {
		t.Error("a body that is not JSON was taken")
	}
	if _, err := s.Undo(ctx, "rota", 1, "ada", T0); err != nil {
		t.Fatal(err)
	}
	got, err := s.Setting(ctx, "rota")
	if err != nil || got.Version != 3 || string(got.Body) != `{"a":1}` {
		t.Errorf("after undo %d %s, %v", got.Version, got.Body, err)
	}
	if v, err := s.Versions(ctx, "rota"); err != nil || len(v) != 3 {
		t.Errorf("%d versions, %v", len(v), err)
	}
	if a, err := s.Audit(ctx, 10); err != nil || len(a) != 3 || a[0].Who != "ada" {
		t.Errorf("audit %v, %v", a, err)
	}
}
