package history_test

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// figure is what a summary says of one channel, worked out in hundredths.
type figure struct{ count, least, greatest, sum int }

// summed works out summaries the plain way.
func summed(readings []collector.Reading) map[collector.Millis]map[collector.Channel]figure {
	out := map[collector.Millis]map[collector.Channel]figure{}
	for i := range readings {
		r := &readings[i]
		start := r.At / 900_000 * 900_000
		if out[start] == nil {
			out[start] = map[collector.Channel]figure{}
		}
		for c := range r.Has.All {
			v := int(math.Round(r.Value[c] * 100))
			f, ok := out[start][c]
			if !ok {
				f = figure{0, v, v, 0}
			}
			out[start][c] = figure{f.count + 1, min(f.least, v), max(f.greatest, v), f.sum + v}
		}
	}
	return out
}

// both reads a machine's summaries and readings, and sees that they are in
// order of time.
func both(t testing.TB, s *history.Store, machine string, from, to collector.Millis) (rows map[collector.Millis]map[collector.Channel]figure, readings []collector.Reading) {
	t.Helper()
	rows = map[collector.Millis]map[collector.Channel]figure{}
	at := collector.Millis(0)
	hundredths := func(v float64) int { return int(math.Round(v * 100)) }
	err := s.Read(context.Background(), machine, from, to, func(m *history.Summary) error {
		if m.Start < at || rows[m.Start] != nil {
			t.Errorf("summary of %v after what is of %v", m.Start.Time(), at.Time())
		}
		at = m.Start
		rows[m.Start] = map[collector.Channel]figure{}
		for c := range m.Has.All {
			f := &m.Channel[c]
			rows[m.Start][c] = figure{f.Count, hundredths(f.Min), hundredths(f.Max), hundredths(f.Sum)}
			if mean := float64(rows[m.Start][c].sum) / 100 / float64(f.Count); math.Abs(mean-f.Mean()) > 1e-9 {
				t.Errorf("mean %v, want %v", f.Mean(), mean)
			}
		}
		return nil
	}, func(e *history.Entry) error {
		if e.At < at {
			t.Errorf("reading of %v after what is of %v", e.At.Time(), at.Time())
		}
		at = e.At
		readings = append(readings, e.Reading)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows, readings
}

const wholeTime = collector.Millis(1) << 50

// aged returns a store of five days of two machines, one of which was cut off
// for a night, and all readings.
func aged(t testing.TB, fs vfs.FS, step int, days float64) (*history.Store, []collector.Reading) {
	s := open(t, fs, func(o *history.Options) { o.RetainDays = 2 })
	var all, kept []collector.Reading
	for n := 0; n < int(days*1440); n += step {
		batch := []collector.Reading{historytest.Reading("cab-1", n)}
		r := historytest.Reading("cab-2", n)
		if n > 1300 && n < 1900 {
			kept = append(kept, r)
		} else {
			for i := range kept {
				kept[i].Received = r.Received
			}
			batch, kept = append(append(batch, kept...), r), nil
		}
		if err := s.Append(context.Background(), batch); err != nil {
			t.Fatal(err)
		}
		all = append(all, batch...)
	}
	if err := s.Settle(); err != nil {
		t.Fatal(err)
	}
	return s, all
}

func of(all []collector.Reading, machine string, is func(*collector.Reading) bool) (out []collector.Reading) {
	for i := range all {
		if all[i].Machine == machine && is(&all[i]) {
			out = append(out, all[i])
		}
	}
	slices.SortStableFunc(out, func(a, b collector.Reading) int { return int(a.At - b.At) })
	return out
}

// After each step every reading is in a summary or still there, never both.
func TestCompact(t *testing.T) {
	fs := vfs.NewMem()
	s, all := aged(t, fs, 5, 5)
	now := all[len(all)-1].Received
	cutoff := historytest.Start.Add(2 * 24 * time.Hour) // today is the fifth day
	steps := 0
	for more := true; more; steps++ {
		var err error
		if more, err = s.Compact(t.Context(), now); err != nil {
			t.Fatal(err)
		}
		st := s.Stats()
		rep, err := s.Check(t.Context())
		if err != nil || len(rep.Problems) > 0 {
			t.Fatalf("after step %d: %v %v", steps, err, rep.Problems)
		}
		if rep.Readings+rep.Summed != uint64(len(all)) || rep.Summed != st.Summarised {
			t.Fatalf("after step %d: %d readings and %d in summaries, want %d together", steps, rep.Readings, rep.Summed, len(all))
		}
		for _, m := range []string{"cab-1", "cab-2"} {
			rows, readings := both(t, s, m, 0, wholeTime)
			n := len(readings)
			for _, row := range rows {
				n += row[collector.CabinetAir].count
			}
			if want := len(of(all, m, func(*collector.Reading) bool { return true })); n != want {
				t.Fatalf("after step %d: %d readings of %s, want %d", steps, n, m, want)
			}
		}
	}
	if steps < 5 {
		t.Errorf("all was done in %d steps", steps)
	}
	for range 2 { // and after a start
		for _, m := range []string{"cab-1", "cab-2"} {
			rows, readings := both(t, s, m, 0, wholeTime)
			old := summed(of(all, m, func(r *collector.Reading) bool { return r.Received < cutoff }))
			if !reflect.DeepEqual(rows, old) {
				t.Errorf("%s: %d summaries, want %d, or they are others", m, len(rows), len(old))
			}
			kept := of(all, m, func(r *collector.Reading) bool { return r.Received >= cutoff })
			if len(readings) != len(kept) || !historytest.Same(readings[0], kept[0]) {
				t.Errorf("%s: %d readings, want %d", m, len(readings), len(kept))
			}
			// A part of it.
			from, to := historytest.Start.Add(25*time.Hour+time.Minute), historytest.Start.Add(26*time.Hour)
			if rows, _ := both(t, s, m, from, to); len(rows) != 4 {
				t.Errorf("%s: %d summaries in 59 minutes, want 4", m, len(rows))
			}
		}
		if got := s.Summarised(); len(got) != 2 || got[0].FirstAt != historytest.Start || got[0].Site != "oakmill" || got[0].LastAt != cutoff-1 {
			t.Errorf("%+v", got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = open(t, fs, func(o *history.Options) { o.RetainDays = 2 })
	}
}

// What comes again when what it repeats is summed up already is known, and what
// is new joins the summary.
func TestLateForSummaries(t *testing.T) {
	fs := vfs.NewMem()
	s := open(t, fs, func(o *history.Options) { o.RetainDays = 2 })
	fill(t, s, []string{"cab-1"}, 0, 60)
	fill(t, s, []string{"cab-1"}, 4*1440, 4*1440+5)
	late := func(day, from, to int, shift collector.Millis) {
		var batch []collector.Reading
		for n := from; n < to; n++ {
			r := historytest.Reading("cab-1", n)
			r.At += shift
			r.Received = historytest.Reading("cab-1", day*1440+10).Received
			batch = append(batch, r)
		}
		if err := s.Append(t.Context(), batch); err != nil {
			t.Fatal(err)
		}
		fill(t, s, []string{"cab-1"}, day*1440+100, day*1440+101)
	}
	now := func(day int) collector.Millis { return historytest.Start.Add(time.Duration(day*24+20) * time.Hour) }
	if err := errors.Join(s.Settle(), s.Retain(t.Context(), now(4))); err != nil {
		t.Fatal(err)
	}
	late(4, 30, 60, 0)    // the second half hour again
	late(5, 0, 5, 20_000) // between those of the first five minutes
	fill(t, s, []string{"cab-1"}, 8*1440, 8*1440+1)
	if err := errors.Join(s.Settle(), s.Retain(t.Context(), now(8))); err != nil {
		t.Fatal(err)
	}
	var counts []int
	err := s.Summaries(t.Context(), "cab-1", historytest.Start, historytest.Start.Add(time.Hour), func(m *history.Summary) error {
		counts = append(counts, m.Channel[collector.CabinetAir].Count)
		return nil
	})
	if err != nil || !slices.Equal(counts, []int{20, 15, 15, 15}) {
		t.Errorf("%v readings a quarter of an hour, want [20 15 15 15]; %v", counts, err)
	}
	rep, err := s.Check(t.Context())
	if err != nil || len(rep.Problems) > 0 {
		t.Errorf("%v %v", err, rep.Problems)
	}
}

func TestSummariesGoWithAge(t *testing.T) {
	fs := vfs.NewMem()
	change := func(o *history.Options) { o.RetainDays, o.SummaryDays = 2, 5 }
	s := open(t, fs, change)
	for day := range 8 {
		fill(t, s, []string{"cab-1"}, day*1440, day*1440+30)
	}
	fill(t, s, []string{"cab-1"}, 8*1440, 8*1440+30)
	if err := s.Settle(); err != nil {
		t.Fatal(err)
	}
	gone := []collector.Reading{historytest.Reading("gone", 7), historytest.Reading("gone", 1447)}
	if n, _, err := s.AppendOld(t.Context(), "gone", gone); err != nil || n != 2 {
		t.Fatal(n, err)
	}
	if err := s.Retain(t.Context(), historytest.Start.Add(8*24*time.Hour+time.Hour)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		rows, readings := both(t, s, "cab-1", 0, wholeTime)
		if len(rows) != 3*2 || len(readings) != 3*30 {
			t.Errorf("%d summaries and %d readings; want those of 3 days each, 6 and 90", len(rows), len(readings))
		}
		if got := s.Summarised(); len(got) != 1 || got[0].Machine != "cab-1" {
			t.Errorf("summaries of %+v, want of cab-1 only", got)
		}
		rep, err := s.Check(t.Context())
		if err != nil || len(rep.Problems) > 0 || rep.Summed != 90 {
			t.Errorf("%v %+v", err, rep)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = open(t, fs, change)
	}
}

// A clock that runs ahead, or a fleet that was off for a season, loses nothing.
func TestAgeIsCountedFromTheNewest(t *testing.T) {
	s := open(t, vfs.NewMem(), func(o *history.Options) { o.RetainDays, o.SummaryDays = 2, 5 })
	fill(t, s, []string{"cab-1"}, 0, 30)
	fill(t, s, []string{"cab-1"}, 90, 100)
	// Started again after a season: nobody has sent anything yet.
	away := collector.Absence(historytest.Start.Add(2*time.Hour), historytest.Start.Add(9000*24*time.Hour))
	if err := errors.Join(s.Append(t.Context(), []collector.Reading{away}), s.Settle(), s.Retain(t.Context(), historytest.Start.Add(9000*24*time.Hour))); err != nil {
		t.Fatal(err)
	}
	checked(t, s, 41)
	if st := s.Stats(); st.Summarised != 0 {
		t.Errorf("%d readings were summed up", st.Summarised)
	}
}

// Where there are summaries only, as after an import of old days, they age too.
func TestSummariesAlone(t *testing.T) {
	s := open(t, vfs.NewMem(), func(o *history.Options) { o.RetainDays, o.SummaryDays = 2, 5 })
	for _, day := range []int{0, 10} {
		if _, _, err := s.AppendOld(t.Context(), "cab-1", []collector.Reading{historytest.Reading("cab-1", day*1440)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Retain(t.Context(), historytest.Start.Add(9000*24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.Summarised != 1 {
		t.Errorf("%d readings are left in summaries, want the newer one", st.Summarised)
	}
}

// A backfill is taken once, in any order, in any parts, and beside what is there.
func TestAppendOld(t *testing.T) {
	s := open(t, vfs.NewMem(), nil)
	var all []collector.Reading
	for n := range 3 * 1440 {
		all = append(all, historytest.Reading("cab-1", n))
	}
	mixed := slices.Clone(all)
	rand.New(rand.NewPCG(5, 6)).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
	added := 0
	for chunk := range slices.Chunk(mixed, 1000) {
		n, _, err := s.AppendOld(t.Context(), "cab-1", append(slices.Clone(chunk), chunk[:10]...))
		if err != nil {
			t.Fatal(err)
		}
		added += n
	}
	if added != len(all) {
		t.Errorf("%d added, want %d", added, len(all))
	}
	n, known, err := s.AppendOld(t.Context(), "cab-1", all)
	if err != nil || n != 0 || known != len(all) {
		t.Errorf("a second time %d added and %d known, want 0 and %d; %v", n, known, len(all), err)
	}
	if rows, _ := both(t, s, "cab-1", 0, wholeTime); !reflect.DeepEqual(rows, summed(all)) {
		t.Error("the summaries are others")
	}
	if _, _, err := s.AppendOld(t.Context(), "cab-2", all); err == nil {
		t.Error("another machine's readings were taken")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.AppendOld(t.Context(), "cab-1", all); !errors.Is(err, history.ErrClosed) {
		t.Error(err)
	}
	if _, err := s.Compact(t.Context(), 1); !errors.Is(err, history.ErrClosed) {
		t.Error(err)
	}
}
