package ledger_test

import (
	"bufio"
	"context"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/ledger/ledgertest"
)

func open(t *testing.T, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func TestConformance(t *testing.T) {
	ledgertest.Run(t, func(t *testing.T) ledgertest.Store {
		// A name that a URL would read differently.
		return open(t, filepath.Join(t.TempDir(), "a ledger?x=1#.db"))
	})
}

// TestKilled kills a writing process and checks that every batch it said was
// committed is there, whole.
func TestKilled(t *testing.T) {
	if path := os.Getenv("LEDGER_TEST_WRITE"); path != "" {
		writeForever(path)
	}
	for round := range 3 {
		path := filepath.Join(t.TempDir(), "ledger.db")
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestKilled$")
		cmd.Env = append(os.Environ(), "LEDGER_TEST_WRITE="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		said := -1
		for s := bufio.NewScanner(out); s.Scan(); {
			if _, err := fmt.Sscanf(s.Text(), "committed %d", &said); err == nil && said >= 20+17*round {
				_ = cmd.Process.Kill()
			}
		}
		_ = cmd.Wait()
		if said < 20 {
			t.Fatalf("the writer came to %d only", said)
		}
		l := open(t, path)
		if err := l.Check(t.Context()); err != nil {
			t.Error(err)
		}
		all, err := l.Alerts(t.Context(), ledger.Query{Open: true})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(all); n != said+1 && n != said+2 {
			t.Errorf("%d alerts after %d said committed; want those, or one more that was cut off", n, said+1)
		}
		for _, a := range all {
			moves, err := l.Moves(t.Context(), a.ID)
			ms, err2 := l.MessagesOf(t.Context(), a.ID)
			if err != nil || err2 != nil || len(moves) != 1 || len(ms) != 1 {
				t.Errorf("%s has %d moves and %d messages, want one each (%v, %v)", a.ID, len(moves), len(ms), err, err2)
			}
		}
		snap, err := l.Queue(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		q := alerts.New(alerts.Options{})
		if err := q.Restore(snap); err != nil || len(q.Alerts()) != len(all) {
			t.Errorf("the queue has %d alerts, the ledger %d (%v)", len(q.Alerts()), len(all), err)
		}
	}
}

func writeForever(path string) {
	ctx := context.Background()
	l, err := ledger.Open(ctx, ledger.Options{Path: path})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	q := alerts.New(alerts.Options{})
	for n := 0; ; n++ {
		if err := l.Commit(ctx, ledgertest.Batch(q, n)); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("committed", n)
	}
}

// TestBackup copies the ledger while it is written to.
func TestBackup(t *testing.T) {
	dir := t.TempDir()
	l, q := open(t, filepath.Join(dir, "ledger.db")), alerts.New(alerts.Options{})
	commit := func(n int) {
		if err := l.Commit(t.Context(), ledgertest.Batch(q, n)); err != nil {
			t.Error(err)
		}
	}
	for n := range 10 {
		commit(n)
	}
	done := make(chan error)
	copied := filepath.Join(dir, "copy.db")
	go func() { done <- l.Backup(t.Context(), copied) }()
	for n := range 10 {
		commit(10 + n)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	b := open(t, copied)
	if err := b.Check(t.Context()); err != nil {
		t.Error(err)
	}
	all, err := b.Alerts(t.Context(), ledger.Query{})
	if err != nil || len(all) < 10 {
		t.Errorf("%d alerts in the copy (%v), want the 10 committed before at least", len(all), err)
	}
	if err := l.Backup(t.Context(), copied); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("a backup over another: %v", err)
	}
}

func TestCheckSeesDamage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, q := open(t, path), alerts.New(alerts.Options{})
	for n := range 40 {
		if err := l.Commit(t.Context(), ledgertest.Batch(q, n)); err != nil {
			t.Fatal(err)
		}
	}
	copied := path + ".copy"
	if err := l.Backup(t.Context(), copied); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(copied)
	if err != nil {
		t.Fatal(err)
	}
	for i := len(b) / 2; i < len(b)/2+8192; i++ {
		b[i] ^= 0x5a
	}
	if err := os.WriteFile(copied, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := open(t, copied).Check(t.Context()); err == nil {
		t.Error("Check found nothing wrong with a damaged file")
	}
}

func TestNewerFileIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	open(t, path).Close()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	_, err = ledger.Open(t.Context(), ledger.Options{Path: path})
	if err == nil || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("a file of the future opened: %v", err)
	}
}

// TestDesk: what a desk was given survives it, and given again changes nothing.
func TestDesk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	ctx := t.Context()
	tell := func(c alerts.Change) []ledger.Message {
		if c.Kind != alerts.Opened {
			return nil
		}
		return []ledger.Message{{Key: c.Alert.ID + "/opened", Alert: c.Alert.ID, Person: "ana", Made: c.At.Time(), Due: c.At.Time()}}
	}
	desk := func(l *ledger.Ledger) *ledger.Desk {
		d, err := ledger.NewDesk(ctx, ledger.DeskOptions{Ledger: l, Tell: tell})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	l := open(t, path)
	d := desk(l)
	f := ledgertest.Finding(1)
	if _, err := d.Apply(ctx, f); err != nil {
		t.Fatal(err)
	}
	l.Close()
	if _, err := d.Apply(ctx, ledgertest.Finding(2)); err == nil {
		t.Error("a finding was taken by a closed ledger")
	}

	l = open(t, path)
	d = desk(l)
	if c, err := d.Apply(ctx, f); err != nil || len(c) != 0 {
		t.Errorf("the same finding again: %v, %v", c, err)
	}
	if _, err := d.Advance(ctx, f.At.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := d.Alerts(); len(got) != 1 {
		t.Fatalf("alerts %v, want the one whose on-delay the restart cut", got)
	}
	o := alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: "ana"}, At: f.At.Add(2 * time.Hour)}
	if _, err := d.Do(ctx, "A-F-000001", o); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Do(ctx, "A-F-000001", o); err == nil {
		t.Error("acknowledged twice")
	}
	moves, err := l.Moves(ctx, "A-F-000001")
	if err != nil || len(moves) != 2 || moves[1].By.Name != "ana" {
		t.Errorf("moves %+v, %v", moves, err)
	}
	if ms, err := l.MessagesOf(ctx, "A-F-000001"); err != nil || len(ms) != 1 {
		t.Errorf("messages %v, %v, want one", ms, err)
	}
}
