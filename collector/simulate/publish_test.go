package simulate

import (
	"errors"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// tape keeps what a real broker was sent.
type tape struct {
	mochi.HookBase
	mu    sync.Mutex
	sent  map[string]int // by topic; guarded by mu
	wills int            // connections that left a will; guarded by mu
}

func (h *tape) ID() string { return "tape" }
func (h *tape) Provides(b byte) bool {
	return b == mochi.OnPublish || b == mochi.OnSessionEstablished || b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (h *tape) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (h *tape) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func (h *tape) OnPublish(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if pk.FixedHeader.Qos != 1 {
		return pk, errors.New("not QoS 1")
	}
	h.sent[pk.TopicName]++
	return pk, nil
}

func (h *tape) OnSessionEstablished(cl *mochi.Client, _ packets.Packet) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if cl.Properties.Will.Retain {
		h.wills++
	}
}

func TestDemoIsPublishedOverMQTT(t *testing.T) {
	if testing.Short() {
		t.Skip("plays a day of 42 machines")
	}
	live := time.Date(2026, 7, 6, 10, 0, 0, 0, time.UTC)
	f, err := NewDemo(1, live, 2*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(f.Machines); n < 40 {
		t.Errorf("%d machines", n)
	}
	s := mochi.New(&mochi.Options{InlineClient: false})
	h := &tape{sent: make(map[string]int)}
	if err := s.AddHook(h, nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var clock []time.Time
	p, err := NewPublisher(PublisherOptions{Fleet: f, Broker: "tcp://" + l.Address(), WarmUp: 2 * time.Hour, Speed: 2000, LiveFor: 10 * time.Minute,
		Clock: func(at time.Time) { clock = append(clock, at) }})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if last := clock[len(clock)-1]; !last.Equal(live.Add(10 * time.Minute)) {
		t.Errorf("the clock ends at %v", last)
	}
	for i := 1; i < len(clock); i++ {
		if clock[i].Before(clock[i-1]) {
			t.Fatal("the clock went back")
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.wills != len(f.Machines) {
		t.Errorf("%d last wills for %d machines", h.wills, len(f.Machines))
	}
	for _, m := range f.Machines {
		if n := h.sent[m.topic]; n < 80 || n > 200 { // a link may have been down for a while
			t.Errorf("%s: %d messages in 130 minutes", m, n)
		}
		if h.sent[m.statusTopic] == 0 {
			t.Errorf("%s: no status", m)
		}
	}
}

func TestPublisherSaysWhatIsMissing(t *testing.T) {
	_, err := NewPublisher(PublisherOptions{})
	if err == nil || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("%v", err)
	}
}

func TestWriteFleetWritesThreeFiles(t *testing.T) {
	dir := t.TempDir()
	if err := WriteFleet(dir, small(2)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"fleet.yaml", "messages.ndjson.gz", "truth.json"} {
		if st, err := os.Stat(dir + "/" + name); err != nil || st.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}
