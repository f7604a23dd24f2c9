package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
)

// What is exported as CSV and imported elsewhere is the same, to the last bit.
func TestExportImport(t *testing.T) {
	dir, _ := recordedDays(t, 3, 1)
	table := filepath.Join(dir, "all.csv")
	typedOK(t, "export", "--data", filepath.Join(dir, "data"), "--out", table)

	other := t.TempDir()
	fleetFile, err := os.ReadFile(filepath.Join(dir, "fleet.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(other, "coilward.yaml")
	for name, text := range map[string]string{config: keepAll, filepath.Join(other, "fleet.yaml"): string(fleetFile)} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	typedOK(t, "import", "--config", config, table)
	want, got := rangedAll(t, filepath.Join(dir, "data")), rangedAll(t, filepath.Join(other, "data"))
	if len(want) < 1000 || len(got) != len(want) {
		t.Fatalf("%d readings came back of %d", len(got), len(want))
	}
	for i := range want {
		a, b := want[i], got[i]
		a.Received, b.Received = 0, 0
		if a.Machine != b.Machine || a.Site != b.Site || a.At != b.At || a.Status != b.Status || a.Has != b.Has || a.Value != b.Value || len(a.Extra) != len(b.Extra) {
			t.Fatalf("reading %d is\n%+v, was\n%+v", i, b, a)
		}
	}
	typedOK(t, "import", "--config", config, table)
	if again := rangedAll(t, filepath.Join(other, "data")); len(again) != len(want) {
		t.Errorf("%d readings after the same again, want %d", len(again), len(want))
	}
	typedOK(t, "verify", "--data", withLedger(t, filepath.Join(other, "data")))
}

// keepAll is a configuration under which no reading gets too old.
const keepAll = "data_dir: data\nhistory: {retain_days: 0}\n"

// withLedger makes the ledger that a daemon would.
func withLedger(t *testing.T, data string) string {
	t.Helper()
	l, err := openLedger(t.Context(), data)
	if err == nil {
		err = l.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// rangedAll returns all that is stored, by machine and time.
func rangedAll(t *testing.T, data string) (all []collector.Reading) {
	t.Helper()
	store, err := history.Open(history.Options{Dir: filepath.Join(data, "history"), ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	for _, m := range store.Machines() {
		err := store.Range(t.Context(), m.Machine, m.FirstAt, m.LastAt+1, func(e *history.Entry) error {
			all = append(all, e.Reading)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// The Parquet file, read by the library's generic reader, holds what is stored.
func TestExportParquet(t *testing.T) {
	dir, _ := recordedDays(t, 3, 1)
	name := filepath.Join(dir, "all.parquet")
	typedOK(t, "export", "--data", filepath.Join(dir, "data"), "--format", "parquet", "--out", name)
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	type row struct {
		Time       int64    `parquet:"time,timestamp(millisecond)"`
		Machine    string   `parquet:"machine"`
		Status     *string  `parquet:"status,optional"`
		CabinetAir *float64 `parquet:"cabinet_air,optional"`
		Energy     *float64 `parquet:"energy,optional"`
		Door       *bool    `parquet:"door,optional"`
	}
	r := parquet.NewGenericReader[row](f)
	defer r.Close()
	want := rangedAll(t, filepath.Join(dir, "data"))
	if int(r.NumRows()) != len(want) {
		t.Fatalf("%d rows, want %d", r.NumRows(), len(want))
	}
	rows := make([]row, len(want))
	if n, err := r.Read(rows); n != len(rows) || err != nil && !errors.Is(err, io.EOF) {
		t.Fatalf("%d rows read: %v", n, err)
	}
	doors := 0
	for i, got := range rows {
		w := want[i]
		number := func(c collector.Channel, v *float64) bool {
			return (v != nil) == w.Has.Has(c) && (v == nil || *v == w.Value[c])
		}
		if got.Time != int64(w.At) || got.Machine != w.Machine || !number(collector.CabinetAir, got.CabinetAir) || !number(collector.Energy, got.Energy) ||
			(got.Status != nil) != (w.Status != collector.NoStatus) || (got.Door != nil) != w.Has.Has(collector.Door) || got.Door != nil && *got.Door != (w.Value[collector.Door] != 0) {
			t.Fatalf("row %d is %+v, want %+v", i, got, w)
		}
		if got.Door != nil {
			doors++
		}
	}
	if doors == 0 {
		t.Error("no machine had a door: this tests less than it should")
	}
}

// Bad rows are told with file and line, and the good ones beside them are kept.
func TestImportBadRows(t *testing.T) {
	dir := t.TempDir()
	config, table := filepath.Join(dir, "coilward.yaml"), filepath.Join(dir, "old.csv")
	text := strings.Join([]string{
		"time,machine,cabinet_air,door",
		"2025-07-01T00:00:00Z,cab-0417,3.4,false",
		"yesterday,cab-0417,3.4,false",
		"2025-07-01T00:02:00Z,cab-0417,34 F,false",
		"2025-07-01T00:03:00Z,cab-0417,340,false",
		"2025-07-01T00:04:00Z,cab-0417,3.4,ajar",
		"2025-07-01T00:05:00Z,cab-9999,3.4,false",
		"2025-07-01T00:06:00Z,cab-0417,3.4",
		"2025-07-01T00:07:00Z,cab-0417,,",
		"2999-07-01T00:08:00Z,cab-0417,3.4,false",
		"1999-07-01T00:08:00Z,cab-0417,3.4,false",
		"1751328540,cab-0417,3.5,", // 2025-07-01T00:09:00Z
		"2025-07-01T00:00:00Z,cab-0417,9.9,false",
	}, "\n")
	fleetText := "sites:\n  - id: oakmill\n    name: Oak Mill Works, canteen\n    timezone: America/New_York\n    machines:\n      - {id: cab-0417, kind: glass-door, product: dairy}\n"
	for name, text := range map[string]string{config: keepAll, filepath.Join(dir, "fleet.yaml"): fleetText, table: text} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out, problems bytes.Buffer
	if status := run(t.Context(), []string{"import", "--config", config, table}, &streams{nil, &out, &problems}); status != statusOK {
		t.Fatalf("status %d: %s", status, &problems)
	}
	for _, want := range []string{
		`old.csv:3: time is "yesterday"`, `old.csv:4: cabinet_air is "34 F"`, `old.csv:5: cabinet_air is 340 Cel, which cannot be`,
		`old.csv:6: door is "ajar"`, `old.csv:7: where is machine cab-9999?`, `old.csv:8: 3 fields`, `old.csv:9: there is no value`,
		`old.csv:10: time 2999`, `old.csv:11: time 1999-07-01T00:08:00Z is before all that is kept`, "2 rows added, 0 of them summed up, 1 there already, 1 too old, 8 bad",
	} {
		if !strings.Contains(problems.String(), want) {
			t.Errorf("not told: %s\n%s", want, &problems)
		}
	}
	got := rangedAll(t, filepath.Join(dir, "data"))
	if len(got) != 2 || got[0].Value[collector.CabinetAir] != 3.4 || got[0].Site != "oakmill" || got[1].At.Sub(got[0].At).Minutes() != 9 || got[1].Value[collector.CabinetAir] != 3.5 {
		t.Errorf("stored %+v", got)
	}
	if err := os.WriteFile(table, []byte("time,machine,temp1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if problem := typedBad(t, "import", "--config", config, table); !strings.Contains(problem, "old.csv:1: no such column: temp1") {
		t.Errorf("unknown column: %s", problem)
	}
}
