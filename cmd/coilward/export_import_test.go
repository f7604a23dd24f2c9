package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// importing is a folder with a configuration, and a table of old readings.
type importing struct {
	dir, config, table string
	readings           []collector.Reading
}

// now is when the rows of the table are imported: the last day of them is within
// the 90 days, the rest is older.
func (im *importing) now() time.Time { return historytest.Start.Time().AddDate(0, 0, 91) }

// importTable writes two days of two machines, by time.
func importTable(t *testing.T, config string) *importing {
	t.Helper()
	im := &importing{dir: t.TempDir()}
	im.config, im.table = filepath.Join(im.dir, "coilward.yaml"), filepath.Join(im.dir, "old.csv")
	var text bytes.Buffer
	table := newCSVTable(&text)
	for n := range 2 * 1440 {
		for _, m := range []string{"cab-0417", "cab-0533"} {
			r := historytest.Reading(m, n)
			r.Received = 0
			im.readings = append(im.readings, r)
			if err := table.add(&r); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := table.close(); err != nil {
		t.Fatal(err)
	}
	fleet := "sites:\n  - id: oakmill\n    name: Oak Mill Works, canteen\n    timezone: America/New_York\n    machines:\n" +
		"      - {id: cab-0417, kind: glass-door, product: dairy}\n      - {id: cab-0533, kind: glass-door, product: dairy}\n"
	for name, text := range map[string]string{im.config: config, filepath.Join(im.dir, "fleet.yaml"): fleet, im.table: text.String()} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return im
}

// typed runs import and returns what it tells.
func (im *importing) typed(t *testing.T, ctx context.Context) (status int, said string) {
	t.Helper()
	var out, problems bytes.Buffer
	c := importCommand{Config: im.config, Rate: 1_000_000, Files: []string{im.table}, clock: im.now}
	status = c.run(ctx, &streams{nil, &out, &problems})
	return status, problems.String()
}

// summary is what is looked at of a quarter of an hour.
type summary struct {
	machine    string
	start      collector.Millis
	count      int
	least, sum int // of the cabinet air, in tenths
}

func tenths(v float64) int { return int(math.Round(v * 10)) }

// expected works out the summaries of readings before a time.
func expected(readings []collector.Reading, before collector.Millis) map[summary]int {
	type place struct {
		machine string
		start   collector.Millis
	}
	all := map[place]summary{}
	for i := range readings {
		r := &readings[i]
		if r.At >= before {
			continue
		}
		p := place{r.Machine, r.At / history.SummaryMillis * history.SummaryMillis}
		v := tenths(r.Value[collector.CabinetAir])
		s, ok := all[p]
		if !ok {
			s = summary{p.machine, p.start, 0, v, 0}
		}
		s.count, s.least, s.sum = s.count+1, min(s.least, v), s.sum+v
		all[p] = s
	}
	out := map[summary]int{}
	for _, s := range all {
		out[s]++
	}
	return out
}

// summariesOf reads the summaries of a data folder.
func summariesOf(t *testing.T, data string) map[summary]int {
	t.Helper()
	store := opened(t, data)
	defer store.Close()
	out := map[summary]int{}
	for _, m := range store.Summarised() {
		err := store.Summaries(t.Context(), m.Machine, m.FirstAt, m.LastAt+1, func(m *history.Summary) error {
			f := &m.Channel[collector.CabinetAir]
			out[summary{m.Machine, m.Start, f.Count, tenths(f.Min), tenths(f.Sum)}]++
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func opened(t *testing.T, data string) *history.Store {
	t.Helper()
	store, err := history.Open(history.Options{Dir: filepath.Join(data, "history"), ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	return store
}

// Old rows become summaries at once, young ones are kept as they are; a second
// time changes nothing.
func TestImportByAge(t *testing.T) {
	im := importTable(t, "data_dir: data\n")
	border := historytest.Start.Add(24 * time.Hour)
	for run := range 2 {
		status, said := im.typed(t, t.Context())
		want := "5760 rows added, 2880 of them summed up, 0 there already, 0 too old, 0 bad"
		if run == 1 {
			want = "0 rows added, 0 of them summed up, 5760 there already, 0 too old, 0 bad"
		}
		if status != statusOK || !strings.Contains(said, want) {
			t.Fatalf("run %d: status %d, want %q: %s", run, status, want, said)
		}
		if got, want := summariesOf(t, filepath.Join(im.dir, "data")), expected(im.readings, border); !reflect.DeepEqual(got, want) {
			t.Errorf("run %d: %d summaries, want %d, or others", run, len(got), len(want))
		}
		if got := rangedAll(t, filepath.Join(im.dir, "data")); len(got) != 2880 || got[0].At < border {
			t.Errorf("run %d: %d readings kept, want 2880", run, len(got))
		}
	}
	if out := typedOK(t, "verify", "--data", withLedger(t, filepath.Join(im.dir, "data"))); !strings.Contains(out, "2880 older readings in 192 quarter-hour summaries") {
		t.Errorf("verify: %s", out)
	}
}

// lines is a table that ends its context when so many bytes were read.
type lines struct {
	io.Reader
	left   int
	cancel func()
}

func (l *lines) Read(p []byte) (int, error) {
	n, err := l.Reader.Read(p[:min(len(p), 4096)])
	if l.left -= n; l.left < 0 {
		l.cancel()
	}
	return n, err
}

// An import that was interrupted anywhere goes on when it is given the same
// again, and the outcome is that of one that was not.
func TestImportInterrupted(t *testing.T) {
	whole := importTable(t, "data_dir: data\n")
	if status, said := whole.typed(t, t.Context()); status != statusOK {
		t.Fatal(said)
	}
	text, err := os.ReadFile(whole.table)
	if err != nil {
		t.Fatal(err)
	}
	want := summariesOf(t, filepath.Join(whole.dir, "data"))
	for _, share := range []float64{0.3, 0.6, 0.95} {
		im := importTable(t, "data_dir: data\n")
		ctx, cancel := context.WithCancel(t.Context())
		in := &lines{bytes.NewReader(text), int(share * float64(len(text))), cancel}
		var out, problems bytes.Buffer
		c := importCommand{Config: im.config, Rate: 1000, Files: []string{"-"}, clock: im.now, batch: 500}
		if status := c.run(ctx, &streams{in, &out, &problems}); status != statusFailed || !strings.Contains(problems.String(), "give the same files again") {
			t.Fatalf("status %d: %s", status, &problems)
		}
		if status, said := im.typed(t, t.Context()); status != statusOK || strings.Contains(said, " 0 there already") {
			t.Errorf("status %d: %s", status, said)
		}
		if got := summariesOf(t, filepath.Join(im.dir, "data")); !reflect.DeepEqual(got, want) {
			t.Errorf("interrupted after %.0f %%: %d summaries, want %d, or others", 100*share, len(got), len(want))
		}
		if got := rangedAll(t, filepath.Join(im.dir, "data")); len(got) != 2880 {
			t.Errorf("interrupted after %.0f %%: %d readings, want 2880", 100*share, len(got))
		}
	}
}

// An import beside a daemon to which machines are sending: all that both bring is
// there once, and a replay of the history says what the daemon said.
func TestImportWhileRunning(t *testing.T) {
	sim, f := invented(t, 8, 2)
	begin := sim.Now()
	dir := t.TempDir()
	data, config := filepath.Join(dir, "d"), filepath.Join(dir, "coilward.yaml")
	old := historytest.Reading // of a machine that is not listed, and of one that sends
	machine := f.Sites[0].Machines[0]
	var text bytes.Buffer
	table := newCSVTable(&text)
	var rows []collector.Reading
	for _, m := range []string{"old-1", machine.ID} {
		for _, day := range []int{-400, -3} {
			for n := range 1440 {
				r := old(m, day*1440+n)
				r.Site, r.Received = machine.Site, 0
				rows = append(rows, r)
				if err := table.add(&r); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if err := table.close(); err != nil {
		t.Fatal(err)
	}
	im := &importing{dir: dir, config: config, table: filepath.Join(dir, "old.csv"), readings: rows}
	for name, text := range map[string]string{config: "data_dir: d\n", filepath.Join(dir, "fleet.yaml"): sim.YAML(), im.table: text.String()} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	l := startLive(t, data, f, begin)
	l.play(t, sim, 30*time.Hour)
	before := l.d.history.LastSeq()
	imported := make(chan struct{})
	go func() {
		defer close(imported)
		if status, said := im.typed(t, t.Context()); status != statusOK || !strings.Contains(said, "5760 rows added, 2880 of them summed up, 0 there already, 0 too old, 0 bad") {
			t.Errorf("status %d: %s", status, said)
		}
	}()
	for running := true; running; { // machines go on sending
		select {
		case <-imported:
			running = false
		default:
			l.play(t, sim, 4*time.Minute)
		}
	}
	after := l.d.history.LastSeq()
	if status, said := im.typed(t, t.Context()); status != statusOK || !strings.Contains(said, "0 rows added, 0 of them summed up, 5760 there already") {
		t.Errorf("again: status %d: %s", status, said)
	}
	if l.d.history.LastSeq() != after {
		t.Error("rows were stored a second time")
	}
	l.play(t, sim, time.Hour)
	end := sim.Now()
	l.settle(t, end)
	backup := filepath.Join(dir, "b")
	typedOK(t, "backup", "--config", config, backup)
	typedOK(t, "verify", "--data", backup)
	l.stop()
	if after-before <= 2880 {
		t.Error("nothing came in beside the import: this tests less than it should")
	}
	for _, d := range []string{data, backup} {
		if got, want := summariesOf(t, d), expected(rows, historytest.Start.Add(-90*24*time.Hour)); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %d summaries, want %d, or others", d, len(got), len(want))
		}
	}
	count, last := 0, collector.Millis(0)
	store := opened(t, data)
	err := store.Since(t.Context(), 0, func(e *history.Entry) error {
		if e.Received < last {
			t.Fatalf("reading %d came in before the one before it", e.Seq)
		}
		last = e.Received
		if e.At < historytest.Start.Add(-24*time.Hour) {
			count++
		}
		return nil
	})
	if err = errors.Join(err, store.Close()); err != nil || count != 2880 {
		t.Errorf("%d readings of the import, want 2880; %v", count, err)
	}
	want := slices.DeleteFunc(replayed(t, data, f, 2, begin, end), func(line string) bool { return strings.Contains(line, `"machine":"old-1"`) }) // not of the fleet
	same(t, "beside an import", reported(t, data, f), want)
}

// Both tables of summaries hold what is stored, as the libraries of others read
// them.
func TestExportSummaries(t *testing.T) {
	im := importTable(t, "data_dir: data\n")
	if status, said := im.typed(t, t.Context()); status != statusOK {
		t.Fatal(said)
	}
	data := filepath.Join(im.dir, "data")
	want := expected(im.readings, historytest.Start.Add(24*time.Hour))
	text := typedOK(t, "export", "--data", data, "--what", "summaries")
	table, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	columns := map[string]int{}
	for i, name := range table[0] {
		columns[name] = i
	}
	got := map[summary]int{}
	for _, row := range table[1:] {
		at, err := time.Parse(time.RFC3339, row[columns["time"]])
		count, err2 := strconv.Atoi(row[columns["cabinet_air_count"]])
		least, err3 := strconv.ParseFloat(row[columns["cabinet_air_min"]], 64)
		mean, err4 := strconv.ParseFloat(row[columns["cabinet_air_mean"]], 64)
		if err := errors.Join(err, err2, err3, err4); err != nil || row[columns["energy_count"]] != "" || row[columns["readings"]] != fmt.Sprint(count) {
			t.Fatalf("%v in %v", err, row)
		}
		got[summary{row[columns["machine"]], collector.MillisOf(at), count, tenths(least), tenths(mean * float64(count))}]++
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("CSV: %d summaries, want %d, or others", len(got), len(want))
	}

	name := filepath.Join(im.dir, "years.parquet")
	typedOK(t, "export", "--data", data, "--what", "summaries", "--format", "parquet", "--out", name)
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	type row struct {
		Time     int64    `parquet:"time,timestamp(millisecond)"`
		Machine  string   `parquet:"machine"`
		Readings int64    `parquet:"readings"`
		Count    *int64   `parquet:"cabinet_air_count,optional"`
		Min      *float64 `parquet:"cabinet_air_min,optional"`
		Mean     *float64 `parquet:"cabinet_air_mean,optional"`
		Energy   *int64   `parquet:"energy_count,optional"`
	}
	r := parquet.NewGenericReader[row](f)
	defer r.Close()
	rows := make([]row, r.NumRows())
	if n, err := r.Read(rows); n != len(rows) || err != nil && !errors.Is(err, io.EOF) {
		t.Fatalf("%d rows read: %v", n, err)
	}
	got = map[summary]int{}
	for _, r := range rows {
		if r.Count == nil || r.Energy != nil || r.Readings != *r.Count {
			t.Fatalf("%+v", r)
		}
		got[summary{r.Machine, collector.Millis(r.Time), int(*r.Count), tenths(*r.Min), tenths(*r.Mean * float64(*r.Count))}]++
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("Parquet: %d summaries, want %d, or others", len(got), len(want))
	}
}
