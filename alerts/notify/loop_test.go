package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

var noon = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

func newLedger(t *testing.T) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(context.Background(), ledger.Options{Path: filepath.Join(t.TempDir(), "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// rig drives one channel's passes by a clock of its own.
type rig struct {
	t    *testing.T
	l    *ledger.Ledger
	loop *Loop
	now  time.Time
}

func newRig(t *testing.T, senders map[string]Sender) *rig {
	r := &rig{t: t, l: newLedger(t), now: noon}
	var err error
	r.loop, err = NewLoop(LoopOptions{Outbox: r.l, Senders: senders, Now: func() time.Time { return r.now }, Jitter: func() float64 { return 0.5 }})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *rig) put(n int, channel, to string, p alerts.Priority) {
	r.t.Helper()
	for i := range n {
		if err := r.l.Put(r.t.Context(), ledger.Message{Key: fmt.Sprintf("m%d", i), Person: "ana", Channel: channel, To: to, Priority: p,
			Subject: fmt.Sprintf("subject %d", i), Text: "text\n", Made: r.now, Due: r.now}); err != nil {
			r.t.Fatal(err)
		}
	}
}

// settle passes until nothing waits, for at most two days of the rig's time.
func (r *rig) settle(channel string) {
	r.t.Helper()
	for end := r.now.Add(48 * time.Hour); r.now.Before(end); {
		if err := r.loop.pass(r.t.Context(), channel); err != nil {
			r.t.Fatal(err)
		}
		at, ok, err := r.l.NextDue(r.t.Context(), channel)
		if err != nil {
			r.t.Fatal(err)
		}
		if !ok {
			return
		}
		r.now = at
	}
	r.t.Error("messages still wait after two days")
}

func TestMailThroughAFaultyServer(t *testing.T) {
	s := newSMTP(t, dropGreeting, hang, busy, greylist, fullDisk, halfOpen, takeAndDrop, dropQuit)
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: "none", From: "coilward <alerts@example.org>", Timeout: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"email": e})
	r.put(3, "email", "ana@example.org", alerts.High)
	r.settle("email")
	got := s.received()
	if len(got) != 3 {
		t.Errorf("%d different mails came, want 3: %v", len(got), got)
	}
	doubled := 0
	for id, n := range got {
		if n > 1 {
			doubled++
			if !strings.Contains(s.bodies[id], "Sent again") {
				t.Errorf("mail %s came %d times, the last without saying so:\n%s", id, n, s.bodies[id])
			}
		} else if strings.Contains(s.bodies[id], "Sent again") {
			t.Errorf("mail %s came once and says it may have come before", id)
		}
	}
	if doubled == 0 {
		t.Error("the half-open connections doubled nothing: the test shows nothing")
	}
	sent, err := r.l.SentTo(t.Context(), "ana", noon, r.now.Add(time.Hour))
	if err != nil || len(sent) != 3 {
		t.Errorf("%d messages marked sent, %v, want 3", len(sent), err)
	}
}

func TestMailRefusedForGoodIsShown(t *testing.T) {
	for _, f := range []smtpFault{noMailbox, refusedData} {
		s := newSMTP(t, f)
		e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: "none", From: "alerts@example.org", Timeout: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		r := newRig(t, map[string]Sender{"email": e})
		r.put(1, "email", "ana@example.org", alerts.High)
		r.settle("email")
		dead, err := r.l.Undelivered(t.Context(), 10)
		if err != nil || len(dead) != 1 || dead[0].Attempts != 1 || dead[0].Error == "" {
			t.Errorf("undelivered %+v, %v; want the one, after one attempt", dead, err)
		}
		if err := r.l.Retry(t.Context(), "m0", r.now); err != nil {
			t.Fatal(err)
		}
		r.settle("email")
		if got := s.received(); len(got) != 1 {
			t.Errorf("sent again by hand, %d mails came, want 1", len(got))
		}
	}
}

func TestMailServerThatIsGone(t *testing.T) {
	s := newSMTP(t)
	port := s.port()
	s.ln.Close()
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: port, Security: "none", From: "alerts@example.org", Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"email": e})
	r.put(1, "email", "ana@example.org", alerts.High)
	r.settle("email")
	dead, err := r.l.Undelivered(t.Context(), 10)
	if err != nil || len(dead) != 1 {
		t.Fatalf("undelivered %v, %v, want the one", dead, err)
	}
	if d := r.now.Sub(noon); d < 24*time.Hour || d > 25*time.Hour {
		t.Errorf("given up after %s, want about a day", d)
	}
	if n := dead[0].Attempts; n < 90 || n > 160 {
		t.Errorf("%d attempts in a day", n)
	}
}

func TestMailRefusesAnUnencryptedServer(t *testing.T) {
	s := newSMTP(t)
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), From: "alerts@example.org", User: "u", Password: "geheim", Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	err = e.Send(t.Context(), ledger.Message{Key: "k", To: "ana@example.org", Made: noon})
	if err == nil || len(s.received()) != 0 {
		t.Errorf("a mail went out without STARTTLS (%v)", err)
	}
	if s := fmt.Sprintf("%v %+v %#v", e.o, e.o, e.o); strings.Contains(s, "geheim") {
		t.Error("the password can be printed")
	}
}

// hookServer answers one status a request, then 200; 0 hangs, -1 takes and drops.
type hookServer struct {
	*httptest.Server
	mu    sync.Mutex
	plan  []int          // guarded by mu
	taken map[string]int // by idempotency key; guarded by mu
	again int            // of them, said to be maybe a second; guarded by mu
	bad   []string       // guarded by mu
}

func newHook(t *testing.T, secret Secret, plan ...int) *hookServer {
	h := &hookServer{plan: plan, taken: map[string]int{}}
	quit := make(chan struct{})
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		h.mu.Lock()
		do := 200
		if len(h.plan) > 0 {
			do, h.plan = h.plan[0], h.plan[1:]
		}
		if err != nil || r.Header.Get(HeaderSignature) != Sign(secret, r.Header.Get(HeaderTime), body) {
			h.bad = append(h.bad, "signature")
		}
		if do == 200 || do == -1 {
			h.taken[r.Header.Get(HeaderKey)]++
			if strings.Contains(string(body), `"maybe_sent_before":true`) {
				h.again++
			}
		}
		h.mu.Unlock()
		switch {
		case do == 0:
			select {
			case <-quit:
			case <-r.Context().Done():
			}
		case do == -1:
			panic(http.ErrAbortHandler)
		case do == 429:
			w.Header().Set("Retry-After", "600")
			w.WriteHeader(do)
		default:
			w.WriteHeader(do)
		}
	}))
	t.Cleanup(func() { close(quit); h.Close() })
	return h
}

func TestWebhookThroughAFaultyServer(t *testing.T) {
	const secret = Secret("0123456789abcdef")
	h := newHook(t, secret, 500, 503, 0, 408, 429, -1)
	w, err := NewWebhook(WebhookOptions{Secret: secret, Timeout: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"webhook": w})
	r.put(3, "webhook", h.URL, alerts.High)
	r.settle("webhook")
	if len(h.taken) != 3 || len(h.bad) > 0 {
		t.Errorf("taken %v, bad %v; want 3 different, none bad", h.taken, h.bad)
	}
	extra := 0
	for _, n := range h.taken {
		extra += n - 1
	}
	if extra != 1 || h.again < extra {
		t.Errorf("%d doubled, %d of them said so; want the one that was dropped, said", extra, h.again)
	}
	if r.now.Sub(noon) < 10*time.Minute {
		t.Errorf("settled after %s: Retry-After was not kept", r.now.Sub(noon))
	}
}

func TestWebhookRefusedForGood(t *testing.T) {
	const secret = Secret("0123456789abcdef")
	for _, code := range []int{301, 400, 401, 404, 410} {
		h := newHook(t, secret, code)
		w, err := NewWebhook(WebhookOptions{Secret: secret})
		if err != nil {
			t.Fatal(err)
		}
		err = w.Send(t.Context(), ledger.Message{Key: "k", To: h.URL})
		var f *Failure
		if !errors.As(err, &f) || !f.Permanent || f.Unsure {
			t.Errorf("%d: %v, want a permanent failure", code, err)
		}
	}
}

// TestSignature holds Sign to a vector made with openssl dgst -sha256 -hmac.
func TestSignature(t *testing.T) {
	const want = "sha256=3d901746efa6cb8855e798170af009ec3230b50c3898abb66dc61a90ae87330f"
	if got := Sign("0123456789abcdef", "1782864000", []byte(`{"a":1}`)); got != want {
		t.Errorf("signature %s, want %s", got, want)
	}
}

// record is a sender that keeps what it is given.
type record struct {
	mu  sync.Mutex
	got []ledger.Message
	at  []time.Time
}

func (r *record) Send(_ context.Context, m ledger.Message) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, m)
	r.at = append(r.at, time.Now())
	return nil
}

// kept returns what was sent so far, and when.
func (r *record) kept() ([]ledger.Message, []time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got), slices.Clone(r.at)
}

func TestLoopSendsWhenDueAndStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, rec := newLedger(t), &record{}
		loop, err := NewLoop(LoopOptions{Outbox: l, Senders: map[string]Sender{"chat": rec}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- loop.Run(ctx) }()
		start := time.Now()
		put := func(key string, due time.Time) {
			if err := l.Put(ctx, ledger.Message{Key: key, Channel: "chat", Person: "ana", To: "x", Made: start, Due: due}); err != nil {
				t.Error(err)
			}
		}
		put("later", start.Add(10*time.Minute))
		put("now", start)
		loop.Wake()
		time.Sleep(time.Second)
		synctest.Wait()
		if got, _ := rec.kept(); len(got) != 1 || got[0].Key != "now" {
			t.Errorf("sent %v, want the one that is due", got)
		}
		time.Sleep(11 * time.Minute)
		synctest.Wait()
		if got, at := rec.kept(); len(got) != 2 || at[1].Sub(start) < 10*time.Minute || at[1].Sub(start) > 10*time.Minute+lookAgain {
			t.Errorf("sent %v at %v", got, at)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		l.Close()
	})
}

func TestMetricsLint(t *testing.T) {
	reg := prometheus.NewPedanticRegistry()
	if _, err := NewLoop(LoopOptions{Metrics: reg}); err != nil {
		t.Fatal(err)
	}
	if p, err := testutil.GatherAndLint(reg); err != nil || len(p) > 0 {
		t.Errorf("%v, %v", p, err)
	}
}

// TestDoubtOutlivesARefusal: taken without an answer, then refused, then taken:
// the second mail must still say that it may be one.
func TestDoubtOutlivesARefusal(t *testing.T) {
	s := newSMTP(t, takeAndDrop, greylist)
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: "none", From: "alerts@example.org", Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"email": e})
	r.put(1, "email", "ana@example.org", alerts.High)
	r.settle("email")
	for id, n := range s.received() {
		if n != 2 || !strings.Contains(s.bodies[id], "Sent again") {
			t.Errorf("came %d times, the last:\n%s", n, s.bodies[id])
		}
	}
}
