package main

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"coilward/collector"
)

// A program that was written by others, with no code in common with what writes the
// file, reads every value of a Parquet export. (parquet_reader of the Go implementation
// by the makers of the format, Apache Arrow; .ci/run installs it.)
func TestParquetIsReadByOthers(t *testing.T) {
	program, err := exec.LookPath("parquet_reader")
	if err != nil {
		if os.Getenv("COILWARD_REAL") == "1" {
			t.Fatal("parquet_reader is not on the path")
		}
		t.Skip("parquet_reader is not on the path; .ci/run installs it")
	}
	dir, _ := recordedDays(t, 2, 1)
	name := filepath.Join(dir, "all.parquet")
	typedOK(t, "export", "--data", filepath.Join(dir, "data"), "--format", "parquet", "--out", name)
	cmd := exec.CommandContext(t.Context(), program, "--json", "--no-metadata", name)
	cmd.Stderr = t.Output()
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// It writes a list for each group of rows; what is null is left out.
	var rows []map[string]any
	for d := json.NewDecoder(out); ; {
		var some []map[string]any
		if err := d.Decode(&some); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, some...)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	want := rangedAll(t, filepath.Join(dir, "data"))
	if len(rows) != len(want) || len(want) < 1000 {
		t.Fatalf("it reads %d rows, want %d", len(rows), len(want))
	}
	values := 0
	for i, got := range rows {
		w := &want[i]
		if got["time"] != float64(w.At) || got["machine"] != w.Machine || got["site"] != w.Site || (got["status"] != nil) != (w.Status != collector.NoStatus) {
			t.Fatalf("row %d is %v, want %+v", i, got, w)
		}
		for c := range collector.Channel(collector.NumChannels) {
			v, has := got[c.String()]
			if has != w.Has.Has(c) {
				t.Fatalf("row %d: %s is %v, want %+v", i, c, v, w)
			}
			if !has {
				continue
			}
			values++
			if b, is := v.(bool); is != c.IsBool() || is && b != (w.Value[c] != 0) || !is && math.Float64bits(v.(float64)) != math.Float64bits(w.Value[c]) {
				t.Fatalf("row %d: %s is %v, want %v", i, c, v, w.Value[c])
			}
		}
	}
	if values < 4*len(want) {
		t.Errorf("only %d values in %d rows", values, len(want))
	}
}
