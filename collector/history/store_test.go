package history_test

import (
	"context"
	"errors"
	"io"
	"maps"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/cockroachdb/pebble/v2/vfs/errorfs"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

func open(t testing.TB, fs vfs.FS, change func(*history.Options)) *history.Store {
	t.Helper()
	o := history.Options{Dir: "data/history", FS: fs, Log: zerolog.Nop()}
	if change != nil {
		change(&o)
	}
	s, err := history.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestStore(t *testing.T) {
	historytest.RunKeeper(t, func(t *testing.T) historytest.Keeper { return open(t, vfs.NewMem(), nil) })
}

// settled puts all that is over into blocks after each append, and reopens the
// store now and then.
type settled struct {
	*history.Store
	t  *testing.T
	fs vfs.FS
	n  int
}

func (s *settled) Append(ctx context.Context, r []collector.Reading) error {
	err := errors.Join(s.Store.Append(ctx, r), s.Settle())
	if s.n++; s.n%50 == 0 {
		if err := s.Close(); err != nil {
			return err
		}
		s.Store = open(s.t, s.fs, nil)
	}
	return err
}

func TestStoreFromBlocks(t *testing.T) {
	historytest.RunKeeper(t, func(t *testing.T) historytest.Keeper {
		fs := vfs.NewMem()
		return &settled{Store: open(t, fs, nil), t: t, fs: fs}
	})
}

func fill(t testing.TB, s *history.Store, machines []string, from, to int) {
	t.Helper()
	for n := from; n < to; n++ {
		var batch []collector.Reading
		for _, m := range machines {
			batch = append(batch, historytest.Reading(m, n))
		}
		if err := s.Append(context.Background(), batch); err != nil {
			t.Fatal(err)
		}
	}
}

func since(t testing.TB, s *history.Store, seq uint64) (all []history.Entry) {
	t.Helper()
	err := s.Since(context.Background(), seq, func(e *history.Entry) error { all = append(all, *e); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func checked(t testing.TB, s *history.Store, want uint64) {
	t.Helper()
	rep, err := s.Check(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range rep.Problems {
		t.Error(p)
	}
	if rep.Readings != want {
		t.Errorf("%d readings checked, want %d", rep.Readings, want)
	}
}

func TestAppendTogether(t *testing.T) {
	s := open(t, vfs.NewMem(), nil)
	var wg sync.WaitGroup
	for _, m := range []string{"a", "b", "c", "d"} {
		wg.Go(func() {
			for n := range 200 {
				if err := s.Append(t.Context(), []collector.Reading{historytest.Reading(m, n)}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	count := map[string]int{}
	for _, e := range since(t, s, 0) {
		if want := historytest.Reading(e.Machine, count[e.Machine]); !historytest.Same(e.Reading, want) {
			t.Fatalf("got %+v, want %+v", e.Reading, want)
		}
		count[e.Machine]++
	}
	if len(count) != 4 || count["a"] != 200 || count["d"] != 200 {
		t.Errorf("%v", count)
	}
	if err := s.Settle(); err != nil {
		t.Fatal(err)
	}
	checked(t, s, 800)
}

func TestRetain(t *testing.T) {
	fs := vfs.NewMem()
	days := func(o *history.Options) { o.RetainDays = 2 }
	s := open(t, fs, days)
	for day := range 5 {
		fill(t, s, []string{"cab-1"}, day*1440, day*1440+120)
		if day < 2 {
			fill(t, s, []string{"gone"}, day*1440+120, day*1440+130)
		}
	}
	late := historytest.Reading("cab-1", 300) // of the first day, received on the last
	late.Received = historytest.Reading("cab-1", 4*1440+140).Received
	if err := s.Append(t.Context(), []collector.Reading{late, historytest.Reading("cab-1", 4*1440+200)}); err != nil {
		t.Fatal(err)
	}
	if err := s.Settle(); err != nil {
		t.Fatal(err)
	}
	total := s.LastSeq()
	if err := s.Retain(t.Context(), historytest.Start.Add(4*24*time.Hour+5*time.Hour)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		var got []history.Entry
		err := s.Range(t.Context(), "cab-1", historytest.Start, historytest.Start.Add(5*24*time.Hour), func(e *history.Entry) error { got = append(got, *e); return nil })
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != 3*120+2 || got[0].At != late.At {
			t.Errorf("%d readings are left, the first of %v; want %d, the first the late one", len(got), got[0].At.Time(), 3*120+2)
		}
		if m := s.Machines(); len(m) != 1 || m[0].Machine != "cab-1" {
			t.Errorf("machines %+v; want cab-1 only", m)
		}
		if s.FirstSeq() != 261 {
			t.Errorf("first sequence number %d, want 261", s.FirstSeq())
		}
		if e := since(t, s, 0); e[0].Seq != 261 || e[len(e)-1].Seq != total {
			t.Errorf("readings %d … %d, want 261 … %d", e[0].Seq, e[len(e)-1].Seq, total)
		}
		checked(t, s, total-260)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = open(t, fs, days)
	}
}

func TestBackup(t *testing.T) {
	fs := vfs.NewMem()
	s := open(t, fs, nil)
	fill(t, s, []string{"cab-1", "cab-2"}, 0, 150)
	stop, done := make(chan struct{}), make(chan struct{})
	go func() { // goes on while the backup is made
		defer close(done)
		for n := 150; n < 600; n++ {
			select {
			case <-stop:
				return
			default:
				fill(t, s, []string{"cab-1", "cab-2"}, n, n+1)
			}
		}
	}()
	before := s.LastSeq()
	err := s.Backup("backup")
	close(stop)
	<-done
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Backup("backup"); err == nil {
		t.Error("a backup took the place of another")
	}
	b := open(t, fs, func(o *history.Options) { o.Dir = "backup" })
	if b.LastSeq() < before {
		t.Errorf("the backup ends at %d, %d was stored before it began", b.LastSeq(), before)
	}
	checked(t, b, b.LastSeq())
	if err := b.Append(t.Context(), []collector.Reading{historytest.Reading("cab-9", 1)}); err != nil {
		t.Fatal(err)
	}
}

func TestDiskFull(t *testing.T) {
	var full bool
	fs := errorfs.Wrap(vfs.NewMem(), errorfs.InjectorFunc(func(op errorfs.Op) error {
		if full && op.Kind.ReadOrWrite() == errorfs.OpIsWrite && strings.HasSuffix(op.Path, ".log") {
			return syscall.ENOSPC
		}
		return nil
	}))
	s := open(t, fs, nil)
	fill(t, s, []string{"cab-1"}, 0, 10)
	for _, minute := range []int{10, 75} { // in the hour, and when a new one begins
		have := s.LastSeq()
		full = true
		for range 3 {
			err := s.Append(t.Context(), []collector.Reading{historytest.Reading("cab-1", minute)})
			if !errors.Is(err, history.ErrFull) || !errors.Is(err, syscall.ENOSPC) {
				t.Fatalf("%v, want a full disk", err)
			}
		}
		if got := since(t, s, 0); uint64(len(got)) != have {
			t.Fatalf("%d readings while the disk is full, want %d", len(got), have)
		}
		full = false
		fill(t, s, []string{"cab-1"}, minute, minute+5)
		if got := since(t, s, have); len(got) != 5 {
			t.Fatalf("%d readings since, want 5", len(got))
		}
	}
	checked(t, s, 20)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	checked(t, open(t, fs, nil), 20)
}

func TestReserve(t *testing.T) {
	fs := vfs.NewMem()
	s := open(t, fs, func(o *history.Options) { o.MinFree = 1000 })
	fs.TestingSetDiskUsage(vfs.DiskUsage{AvailBytes: 999, TotalBytes: 1e6})
	r := []collector.Reading{historytest.Reading("cab-1", 0)}
	if err := s.Append(t.Context(), r); !errors.Is(err, history.ErrFull) {
		t.Errorf("%v, want a full disk", err)
	}
	fs.TestingSetDiskUsage(vfs.DiskUsage{AvailBytes: 1000, TotalBytes: 1e6})
	if err := s.Append(t.Context(), r); err != nil {
		t.Error(err)
	}
}

// A bit that turned over on the disk is found, and does not stop the start.
func TestDamage(t *testing.T) {
	fs := vfs.NewMem()
	s := open(t, fs, nil)
	fill(t, s, []string{"cab-1"}, 0, 50)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := fs.OpenReadWrite("data/history/log/0000000000000001.log", vfs.WriteCategoryUnspecified)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	if _, err = f.WriteAt([]byte{data[len(data)/2] ^ 4}, int64(len(data)/2)); err != nil {
		t.Fatal(err)
	}
	s = open(t, fs, nil)
	got := since(t, s, 0)
	if len(got) < 20 || len(got) > 30 {
		t.Errorf("%d readings before the damage, want about half of 50", len(got))
	}
	for i, e := range got {
		if !historytest.Same(e.Reading, historytest.Reading("cab-1", i)) {
			t.Fatalf("reading %d is another", i)
		}
	}
}

// Reading a store only leaves every file as it was.
func TestReadOnly(t *testing.T) {
	fs := vfs.NewMem()
	s := open(t, fs, nil)
	fill(t, s, []string{"cab-1", "cab-2"}, 0, 200)
	want := since(t, s, 0)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := listing(t, fs, "data/history")
	s = open(t, fs, func(o *history.Options) { o.ReadOnly = true })
	if got := since(t, s, 0); len(got) != len(want) || len(got) != 400 {
		t.Errorf("%d readings, want %d", len(got), len(want))
	}
	checked(t, s, 400)
	if err := s.Append(t.Context(), []collector.Reading{historytest.Reading("cab-1", 300)}); !errors.Is(err, history.ErrReadOnly) {
		t.Errorf("append: %v, want %v", err, history.ErrReadOnly)
	}
	if err := s.Retain(t.Context(), historytest.Start); !errors.Is(err, history.ErrReadOnly) {
		t.Errorf("retain: %v, want %v", err, history.ErrReadOnly)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if after := listing(t, fs, "data/history"); !maps.Equal(before, after) {
		t.Errorf("files\n%v\nwere\n%v", after, before)
	}
	o := history.Options{Dir: "elsewhere", FS: fs, ReadOnly: true}
	if _, err := history.Open(o); err == nil {
		t.Error("a store that is not there could be opened")
	}
	if _, err := fs.Stat("elsewhere"); err == nil {
		t.Error("a store was made")
	}
}

// listing returns the files below dir and their sizes.
func listing(t *testing.T, fs vfs.FS, dir string) map[string]int64 {
	t.Helper()
	out := map[string]int64{}
	names, err := fs.List(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		path := fs.PathJoin(dir, name)
		info, err := fs.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if info.IsDir() {
			maps.Copy(out, listing(t, fs, path))
		} else {
			out[path] = info.Size()
		}
	}
	return out
}
