package history_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync/atomic"
	"testing"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/cockroachdb/pebble/v2/vfs/errorfs"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// Power may fail before any change of the disk while old days are summed up,
// and while a backfill is taken: what there is then is whole, and what it
// becomes is what it would have been.
func TestCompactCrashAnywhere(t *testing.T) {
	disk := vfs.NewCrashableMem()
	c := &crashes{disk: disk, rng: rand.New(rand.NewPCG(3, 4))}
	s, all := aged(t, errorfs.Wrap(disk, c), 60, 4.5)
	now := all[len(all)-1].Received
	backfill := make([]collector.Reading, 40)
	for i := range backfill {
		backfill[i] = historytest.Reading("cab-1", -5000+i*20)
	}
	finish := func(s *history.Store) {
		t.Helper()
		if err := s.Retain(t.Context(), now); err != nil {
			t.Fatal(err)
		}
		// Whoever was importing does it again.
		if _, _, err := s.AppendOld(t.Context(), "cab-1", backfill); err != nil {
			t.Fatal(err)
		}
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	c.mu.Lock()
	c.all = nil
	c.mu.Unlock()
	for i := range 4 { // some of it before, some after the rest
		if i == 2 {
			if err := s.Retain(t.Context(), now); err != nil {
				t.Fatal(err)
			}
		}
		if _, _, err := s.AppendOld(t.Context(), "cab-1", backfill[i*10:i*10+10]); err != nil {
			t.Fatal(err)
		}
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	finish(s)
	type whole struct {
		rows map[collector.Millis]map[collector.Channel]figure
		raw  int
	}
	look := func(s *history.Store) (out [2]whole) {
		for i, m := range []string{"cab-1", "cab-2"} {
			rows, readings := both(t, s, m, 0, wholeTime)
			out[i] = whole{rows, len(readings)}
		}
		return out
	}
	want := look(s)
	if n := len(want[0].rows); n < 70 {
		t.Fatalf("only %d summaries", n)
	}
	c.mu.Lock()
	crashed := slices.Clone(c.all)
	c.mu.Unlock()
	if len(crashed) < 60 {
		t.Fatalf("only %d crashes", len(crashed))
	}
	t.Logf("%d crashes", len(crashed))
	for _, crash := range crashed {
		s, err := history.Open(history.Options{Dir: "data/history", FS: crash.disk, RetainDays: 2})
		if err != nil {
			t.Fatalf("crash before %s: %v", crash.what, err)
		}
		rep, err := s.Check(t.Context())
		if err != nil || len(rep.Problems) > 0 {
			t.Fatalf("crash before %s: %v %v", crash.what, err, rep.Problems)
		}
		if n := rep.Readings + rep.Summed; n < uint64(len(all)) || n > uint64(len(all)+len(backfill)) {
			t.Fatalf("crash before %s: %d readings, want %d and up to %d of the backfill", crash.what, n, len(all), len(backfill))
		}
		finish(s)
		if got := look(s); !reflect.DeepEqual(got, want) {
			t.Fatalf("crash before %s: it became something else", crash.what)
		}
		rep, err = s.Check(t.Context())
		if err != nil || len(rep.Problems) > 0 || rep.Readings+rep.Summed != uint64(len(all)+len(backfill)) {
			t.Fatalf("crash before %s: %v %+v", crash.what, err, rep)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// What fails in the middle of a step has not happened.
func TestCompactFailing(t *testing.T) {
	failing := errors.New("this disk is broken")
	var broken atomic.Bool // the database cleans up in the background
	fs := errorfs.Wrap(vfs.NewMem(), errorfs.InjectorFunc(func(op errorfs.Op) error {
		if broken.Load() && op.Kind.ReadOrWrite() == errorfs.OpIsRead {
			return failing
		}
		return nil
	}))
	s, all := aged(t, fs, 10, 4)
	now := all[len(all)-1].Received
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, fs, func(o *history.Options) { o.RetainDays = 2 }) // nothing is cached
	broken.Store(true)
	if err := s.Retain(t.Context(), now); !errors.Is(err, failing) {
		t.Fatalf("%v, want %v", err, failing)
	}
	broken.Store(false)
	if err := s.Retain(t.Context(), now); err != nil {
		t.Fatal(err)
	}
	rep, err := s.Check(t.Context())
	if err != nil || len(rep.Problems) > 0 || rep.Readings+rep.Summed != uint64(len(all)) || rep.Summed == 0 {
		t.Errorf("%v %+v, want %d readings", err, rep, len(all))
	}
}

// Each backup made between two steps, while readings come in, is whole.
func TestBackupWhileCompacting(t *testing.T) {
	fs := vfs.NewMem()
	s, all := aged(t, fs, 5, 4.5)
	now := all[len(all)-1].Received
	before := s.LastSeq()
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			default:
				fill(t, s, []string{"cab-1"}, 5*1440+n, 5*1440+n+1)
			}
		}
	}()
	var acked []uint64
	for n, more := 0, true; more; n++ {
		var err error
		if more, err = s.Compact(t.Context(), now); err != nil {
			t.Fatal(err)
		}
		if n%2 == 0 {
			acked = append(acked, s.LastSeq())
			if err := s.Backup(fmt.Sprint("backup-", len(acked))); err != nil {
				t.Fatal(err)
			}
		}
	}
	close(stop)
	<-done
	for i, least := range acked {
		b := open(t, fs, func(o *history.Options) { o.Dir = fmt.Sprint("backup-", i+1) })
		rep, err := b.Check(t.Context())
		if err != nil || len(rep.Problems) > 0 {
			t.Fatalf("backup %d: %v %v", i+1, err, rep.Problems)
		}
		if last := b.LastSeq(); last < least || rep.Readings+rep.Summed != last || last < before {
			t.Errorf("backup %d: %d readings and %d in summaries, numbers to %d; %d were acknowledged", i+1, rep.Readings, rep.Summed, last, least)
		}
	}
	if len(acked) < 3 {
		t.Errorf("only %d backups", len(acked))
	}
}
