package history_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/cockroachdb/pebble/v2/vfs/errorfs"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// crash is what a disk might hold if power failed at one moment.
type crash struct {
	disk      *vfs.MemFS
	what      string
	acked     uint64 // by then
	attempted uint64
}

// crashes takes a copy of the disk before every operation that changes it.
type crashes struct {
	mu               sync.Mutex
	disk             *vfs.MemFS
	rng              *rand.Rand
	acked, attempted uint64
	all              []crash
}

func (c *crashes) MaybeError(op errorfs.Op) error {
	if op.Kind.ReadOrWrite() != errorfs.OpIsWrite {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, percent := range []int{0, 40} { // of what was not synced is there
		c.all = append(c.all, crash{
			disk:  c.disk.CrashClone(vfs.CrashCloneCfg{UnsyncedDataPercent: percent, RNG: c.rng}),
			what:  fmt.Sprint(op.Kind, " ", op.Path),
			acked: c.acked, attempted: c.attempted,
		})
	}
	return nil
}
func (c *crashes) String() string { return "crashes" }

// Power may fail before any write, sync, creation, renaming or removal of a
// file: what was acknowledged is there, in order, and once.
func TestCrashAnywhere(t *testing.T) {
	disk := vfs.NewCrashableMem()
	c := &crashes{disk: disk, rng: rand.New(rand.NewPCG(1, 2))}
	s := open(t, errorfs.Wrap(disk, c), nil)
	var want []collector.Reading
	for n := 0; n < 200; n += 12 { // more than three hours
		batch := []collector.Reading{historytest.Reading("cab-1", n), historytest.Reading("cab-2", n)}
		want = append(want, batch...)
		c.mu.Lock()
		c.attempted = uint64(len(want))
		c.mu.Unlock()
		if err := s.Append(t.Context(), batch); err != nil {
			t.Fatal(err)
		}
		c.mu.Lock()
		c.acked = uint64(len(want))
		c.mu.Unlock()
		if err := s.Settle(); err != nil {
			t.Fatal(err)
		}
	}
	c.mu.Lock()
	all := slices.Clone(c.all)
	c.mu.Unlock()
	if len(all) < 200 {
		t.Fatalf("only %d crashes", len(all))
	}
	t.Logf("%d crashes", len(all))
	for _, crash := range all {
		after(t, crash, want)
	}
}

func after(t *testing.T, c crash, want []collector.Reading) {
	t.Helper()
	s, err := history.Open(history.Options{Dir: "data/history", FS: c.disk})
	if err != nil {
		t.Fatalf("crash before %s: %v", c.what, err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	last := s.LastSeq()
	if last < c.acked || last > c.attempted {
		t.Fatalf("crash before %s: %d readings, %d were acknowledged, %d appended", c.what, last, c.acked, c.attempted)
	}
	next := historytest.Reading("cab-3", 250)
	if err := s.Append(t.Context(), []collector.Reading{next}); err != nil {
		t.Fatal(err)
	}
	if err := s.Settle(); err != nil {
		t.Fatal(err)
	}
	got := since(t, s, 0)
	if uint64(len(got)) != last+1 {
		t.Fatalf("crash before %s: %d readings, want %d", c.what, len(got), last+1)
	}
	for i, e := range got[:last] {
		if e.Seq != uint64(i+1) || !historytest.Same(e.Reading, want[i]) {
			t.Fatalf("crash before %s: reading %d is %+v, want %+v", c.what, i+1, e, want[i])
		}
	}
	checked(t, s, last+1)
}
