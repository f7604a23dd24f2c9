package notify

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

func TestFloodIsFolded(t *testing.T) {
	s := newSMTP(t)
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: "none", From: "alerts@example.org", Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"email": e})
	r.put(40, "email", "ana@example.org", alerts.High)
	r.settle("email")
	if got := s.received(); len(got) != 1 {
		t.Fatalf("%d mails for 40 alerts at once, want 1", len(got))
	}
	for _, body := range s.bodies {
		for i := range 40 {
			if !strings.Contains(body, fmt.Sprintf("subject %d", i)) {
				t.Errorf("the folded mail does not tell of subject %d", i)
			}
		}
	}
}

// TestFoldsComeFurtherApart: a flood that goes on for hours is told of ever less
// often, and nothing of it is lost.
func TestFoldsComeFurtherApart(t *testing.T) {
	rec := &record{}
	r := newRig(t, map[string]Sender{"chat": rec})
	n := 0
	for end := r.now.Add(6 * time.Hour); r.now.Before(end); r.now = r.now.Add(time.Minute) {
		for range 2 {
			n++
			if err := r.l.Put(r.t.Context(), ledger.Message{Key: fmt.Sprintf("n%d", n), Person: "ana", Channel: "chat", To: "ana", Priority: alerts.High,
				Subject: fmt.Sprintf("subject %d", n), Text: "text\n", Made: r.now, Due: r.now}); err != nil {
				t.Fatal(err)
			}
		}
		before := len(rec.got)
		if err := r.loop.pass(t.Context(), "chat"); err != nil {
			t.Fatal(err)
		}
		for i := before; i < len(rec.got); i++ {
			rec.at[i] = r.now
		}
	}
	r.settle("chat")
	var folds []time.Time
	for i, m := range rec.got {
		if isFold(m.Key) {
			folds = append(folds, rec.at[i])
		}
	}
	for i, want := range []time.Duration{10 * time.Minute, 30 * time.Minute, 90 * time.Minute, 90 * time.Minute} {
		if i+1 >= len(folds) || folds[i+1].Sub(folds[i]) != want {
			t.Fatalf("folded messages at %v, want them 10, 30, 90, 90 min apart", folds)
		}
	}
	all, err := r.l.MessagesOf(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range all {
		if m.State != "sent" && m.State != "folded" {
			t.Errorf("message %s is %s", m.Key, m.State)
		}
	}
}
