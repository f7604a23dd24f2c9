package intake_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/intake"
)

const start collector.Millis = 1_782_864_000_000

// shelf is a store that fails while err is set.
type shelf struct {
	mu    sync.Mutex
	err   error
	kept  []collector.Reading
	calls int
}

func (s *shelf) Append(ctx context.Context, r []collector.Reading) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	if s.err == nil {
		s.kept = append(s.kept, r...)
	}
	return s.err
}

func (s *shelf) LastSeq() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return uint64(len(s.kept))
}

func (s *shelf) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

// bench is an intake with what is around it.
type bench struct {
	*intake.Intake
	registry *prometheus.Registry
	log      bytes.Buffer
	next     []collector.Reading
	lasts    []uint64
	mu       sync.Mutex
	acked    []string
	end      func() error
}

func newBench(t *testing.T, store intake.Store, change func(*intake.Options)) *bench {
	b := &bench{registry: prometheus.NewRegistry()}
	o := intake.Options{
		Decoder:   intake.NewDecoder(intake.DecoderOptions{}),
		Admission: collector.NewAdmission(collector.AdmitOptions{}),
		Store:     store,
		Next: func(_ context.Context, r []collector.Reading, last uint64) error {
			b.next = append(b.next, r...)
			b.lasts = append(b.lasts, last)
			return nil
		},
		Log: zerolog.New(&b.log), Registry: b.registry,
	}
	if change != nil {
		change(&o)
	}
	b.Intake = intake.New(o)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	b.end = sync.OnceValue(func() error { cancel(); return <-ended })
	t.Cleanup(func() { _ = b.end() })
	return b
}

func (b *bench) message(machine string, n int, payload string) intake.Message {
	received := start.Add(time.Duration(n) * time.Minute)
	if payload == "" {
		payload = fmt.Sprintf(`[{"bt":%d,"n":"cabinet_air","u":"Cel","v":%d.5},{"n":"door","vb":false}]`, received/1000, n%7)
	}
	return intake.Message{
		Topic: "cabinets/oakmill/" + machine + "/readings", Payload: []byte(payload), Received: received,
		Ack: func() {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.acked = append(b.acked, fmt.Sprint(machine, " ", n))
		},
	}
}

func (b *bench) acks() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.acked)
}

func TestThroughAllSteps(t *testing.T) {
	store, err := history.Open(history.Options{Dir: "h", FS: vfs.NewMem()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	}()
	b := newBench(t, store, nil)
	for n := range 100 {
		b.Handle(b.message("cab-1", n, ""))
		b.Handle(b.message("cab-2", n, ""))
		b.Handle(b.message("cab-2", n, "")) // again, as after a lost acknowledgement
		b.Handle(b.message("cab-3", n, "[{"))
	}
	if err := b.end(); err != nil {
		t.Fatal(err)
	}
	if b.acks() != 400 {
		t.Errorf("%d messages acknowledged, want 400: refused ones too", b.acks())
	}
	var kept []collector.Reading
	err = store.Since(t.Context(), 0, func(e *history.Entry) error { kept = append(kept, e.Reading); return nil })
	if err != nil {
		t.Fatal(err)
	}
	if len(kept) != 200 || len(b.next) != 200 {
		t.Fatalf("%d readings stored, %d handed on, want 200", len(kept), len(b.next))
	}
	for i := range kept {
		if k, n := kept[i], b.next[i]; k.Machine != n.Machine || k.At != n.At || k.Value != n.Value {
			t.Fatalf("reading %d was stored as %+v and handed on as %+v", i, k, n)
		}
	}
	if b.lasts[len(b.lasts)-1] != 200 || !slices.IsSorted(b.lasts) {
		t.Errorf("sequence numbers %v, want up to 200", b.lasts)
	}
	err = testutil.GatherAndCompare(b.registry, strings.NewReader(`
# HELP coilward_collector_admitted_readings_total Readings admitted and stored.
# TYPE coilward_collector_admitted_readings_total counter
coilward_collector_admitted_readings_total 200
# HELP coilward_collector_messages_total Messages taken from the broker and acknowledged.
# TYPE coilward_collector_messages_total counter
coilward_collector_messages_total 400
`), "coilward_collector_admitted_readings_total", "coilward_collector_messages_total")
	if err != nil {
		t.Error(err)
	}
	refused := map[string]float64{}
	families, err := b.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "coilward_collector_refused_total" {
			for _, m := range f.Metric {
				refused[m.Label[0].GetValue()] = m.Counter.GetValue()
			}
		}
	}
	if refused["duplicate"] != 100 || refused["malformed"] != 100 || refused["too_old"] != 0 {
		t.Errorf("refused %v, want 100 duplicates and 100 malformed", refused)
	}
	if problems, err := testutil.GatherAndLint(b.registry); err != nil || len(problems) > 0 {
		t.Error(problems, err)
	}
	// 100 minutes are two hours, begun: one line each for either kind.
	if got := strings.Count(b.log.String(), `"reason":"malformed"`); got != 2 {
		t.Errorf("%d lines on malformed messages, want 2\n%s", got, b.log.String())
	}
}

func TestStoreFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{}
		store.fail(errors.New("the disk is full"))
		b := newBench(t, store, func(o *intake.Options) { o.Queue, o.Batch = 3, 2 })
		sent := make(chan int, 20)
		go func() {
			for n := range 10 {
				b.Handle(b.message("cab-1", n, ""))
				sent <- n
			}
		}()
		time.Sleep(time.Minute)
		synctest.Wait()
		if b.acks() != 0 || len(b.next) != 0 {
			t.Errorf("%d acknowledged, %d handed on, though nothing was stored", b.acks(), len(b.next))
		}
		if len(sent) != 5 {
			t.Errorf("%d messages taken, want 5: the batch and the queue", len(sent))
		}
		if store.calls < 8 || store.calls > 20 {
			t.Errorf("%d tries in a minute, want about 12", store.calls)
		}
		if b.Degraded() == nil || strings.Count(b.log.String(), "the disk is full") != 1 {
			t.Errorf("degraded: %v; log, once:\n%s", b.Degraded(), b.log.String())
		}
		store.fail(nil)
		time.Sleep(time.Minute)
		synctest.Wait()
		if b.acks() != 10 || len(b.next) != 10 || len(store.kept) != 10 || b.Degraded() != nil {
			t.Errorf("%d acknowledged, %d handed on, %d stored, %v; want 10 of each", b.acks(), len(b.next), len(store.kept), b.Degraded())
		}
		if err := b.end(); err != nil {
			t.Error(err)
		}
	})
}

func TestEndWhileStoreFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{}
		gone := errors.New("the disk is gone")
		store.fail(gone)
		b := newBench(t, store, nil)
		for n := range 5 {
			b.Handle(b.message("cab-1", n, ""))
		}
		synctest.Wait()
		if err := b.end(); !errors.Is(err, gone) {
			t.Errorf("%v, want that the disk is gone", err)
		}
		b.Handle(b.message("cab-1", 9, "")) // does not block
		if b.acks() != 0 {
			t.Errorf("%d acknowledged", b.acks())
		}
	})
}

func TestNextHoldsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		free := make(chan struct{})
		var got int
		b := newBench(t, &shelf{}, func(o *intake.Options) {
			o.Queue, o.Batch = 4, 1
			o.Next = func(_ context.Context, r []collector.Reading, _ uint64) error { <-free; got += len(r); return nil }
		})
		sent := make(chan int, 20)
		go func() {
			for n := range 10 {
				b.Handle(b.message("cab-1", n, ""))
				sent <- n
			}
		}()
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(sent) != 5 {
			t.Errorf("%d messages taken, want 5", len(sent))
		}
		close(free)
		synctest.Wait()
		time.Sleep(time.Minute)
		if err := b.end(); err != nil || got != 10 {
			t.Errorf("%d handed on, %v", got, err)
		}
	})
}
