package notify

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// sink is a chat or SMS service on the loopback. Its plan is a status a request,
// then 200; 0 hangs, -1 takes the message and drops the connection.
type sink struct {
	*httptest.Server
	mu    sync.Mutex
	plan  []int    // guarded by mu
	taken []string // bodies; guarded by mu
	paths []string // guarded by mu
}

func newSink(t *testing.T, plan ...int) *sink {
	s := &sink{plan: plan}
	quit := make(chan struct{})
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		s.mu.Lock()
		do := 200
		if len(s.plan) > 0 {
			do, s.plan = s.plan[0], s.plan[1:]
		}
		if do == 200 || do == -1 {
			s.taken, s.paths = append(s.taken, string(body)), append(s.paths, r.URL.Path)
		}
		s.mu.Unlock()
		switch do {
		case 0:
			select {
			case <-quit:
			case <-r.Context().Done():
			}
		case -1:
			panic(http.ErrAbortHandler)
		default:
			w.WriteHeader(do)
		}
	}))
	t.Cleanup(func() { close(quit); s.Close() })
	return s
}

// url is the service as the notification library writes it.
func (s *sink) url() Secret { return Secret("generic+" + s.URL + "/hooks/s3cr3t-token/{to}") }

func (s *sink) texts() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.taken...)
}

// TestChatThroughAFaultyService sends over the library to a service that refuses,
// hangs and drops: every message comes, and one that may have come twice says so.
func TestChatThroughAFaultyService(t *testing.T) {
	s := newSink(t, 500, 503, 0, 429, -1)
	c, err := NewChat(ChatOptions{Services: map[string]Secret{"text": s.url()}, Timeout: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"chat": c})
	for _, k := range []string{"one", "two", "three"} {
		if err := r.l.Put(t.Context(), ledger.Message{Key: k, Person: "ana", Channel: "chat", To: "text:+15550100", Priority: alerts.High, Subject: k, Text: "text " + k, Made: r.now, Due: r.now}); err != nil {
			t.Fatal(err)
		}
	}
	r.settle("chat")
	for _, k := range []string{"one", "two", "three"} {
		n, said := 0, 0
		for _, text := range s.texts() {
			if strings.Contains(text, "text "+k) {
				n++
				if strings.Contains(text, "Sent again") {
					said++
				}
			}
		}
		if n == 0 || n > 1 && said == 0 {
			t.Errorf("message %s came %d times, %d of them said that it may be another", k, n, said)
		}
	}
	s.mu.Lock()
	for _, p := range s.paths {
		if p != "/hooks/s3cr3t-token/+15550100" {
			t.Errorf("sent to %s", p)
		}
	}
	s.mu.Unlock()
	if sent, err := r.l.SentTo(t.Context(), "ana", noon, r.now.Add(time.Hour)); err != nil || len(sent) != 3 {
		t.Errorf("%d sent, %v", len(sent), err)
	}
}

// TestChatServiceThatIsGone: refused connections are tried for a day, then shown, and
// the secret in the service's address is in no error.
func TestChatServiceThatIsGone(t *testing.T) {
	s := newSink(t)
	service := s.url()
	s.Close()
	c, err := NewChat(ChatOptions{Services: map[string]Secret{"text": service}, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, map[string]Sender{"chat": c})
	r.put(1, "chat", "text:+15550100", alerts.High)
	r.settle("chat")
	dead, err := r.l.Undelivered(t.Context(), 10)
	if err != nil || len(dead) != 1 || dead[0].Error == "" || strings.Contains(dead[0].Error, "s3cr3t") {
		t.Errorf("%+v, %v", dead, err)
	}
}

// TestChatThatHangsKeepsItsBound: the library cannot be told to stop, so no more than
// a few sends may hang, and the next is told so at once.
func TestChatThatHangsKeepsItsBound(t *testing.T) {
	s := newSink(t, make([]int, 20)...)
	c, err := NewChat(ChatOptions{Services: map[string]Secret{"text": s.url()}, Timeout: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	var last error
	for range maxStuck + 1 {
		last = c.Send(t.Context(), ledger.Message{Key: "k", To: "text:1"})
	}
	if last == nil || !strings.Contains(last.Error(), "under way") {
		t.Errorf("after %d that hang: %v", maxStuck, last)
	}
}

func TestChatServicesAreChecked(t *testing.T) {
	_, err := NewChat(ChatOptions{Services: map[string]Secret{"good": "generic+https://example.org/x/{to}", "bad": "pigeon://coop/s3cr3t-token"}})
	if err == nil || !strings.Contains(err.Error(), "bad") || strings.Contains(err.Error(), "s3cr3t-token") {
		t.Errorf("%v", err)
	}
	c, err := NewChat(ChatOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if f := failureOf(c.Send(t.Context(), ledger.Message{To: "nobody:1"})); !f.Permanent {
		t.Errorf("a service that is not set up: %+v", f)
	}
}
