package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/parquet-go/parquet-go"

	"coilward/collector"
	"coilward/collector/history"
)

// summaryColumns are the columns before the figures of the channels.
var summaryColumns = []string{"time", "machine", "site", "readings", "online", "offline"}

// figureColumns are the columns of each channel, behind its name.
var figureColumns = []string{"_count", "_min", "_max", "_mean"}

// summaryTable takes summaries.
type summaryTable interface {
	add(m *history.Summary) error
	close() error
}

func newSummaryTable(format string, out io.Writer) summaryTable {
	if format == "parquet" {
		return newParquetSummaries(out)
	}
	return newCSVSummaries(out)
}

// exportSummaries writes the summaries of the machines, all if none are named.
func exportSummaries(ctx context.Context, store *history.Store, machines []string, from, to collector.Millis, t summaryTable) (rows int, err error) {
	spans := map[string]history.Span{}
	all := len(machines) == 0
	for _, m := range store.Summarised() {
		spans[m.Machine] = m
		if all {
			machines = append(machines, m.Machine)
		}
	}
	for _, id := range machines {
		m, ok := spans[id]
		if !ok {
			return rows, fmt.Errorf("no readings of %s are so old that they are summed up", id)
		}
		err := store.Summaries(ctx, id, max(from, m.FirstAt), min(to, m.LastAt+1), func(m *history.Summary) error {
			rows++
			return t.add(m)
		})
		if err != nil {
			return rows, err
		}
	}
	return rows, t.close()
}

// extraSummary writes the figures beside the channels as JSON; "" for none.
func extraSummary(extra []history.ExtraFigures) (string, error) {
	if len(extra) == 0 {
		return "", nil
	}
	type figures struct {
		Name  string  `json:"name"`
		Unit  string  `json:"unit,omitempty"`
		Count int     `json:"count"`
		Min   float64 `json:"min"`
		Max   float64 `json:"max"`
		Mean  float64 `json:"mean"`
	}
	var out []figures
	for i := range extra {
		if x := &extra[i]; x.Count > 0 {
			out = append(out, figures{x.Name, x.Unit, x.Count, x.Min, x.Max, x.Mean()})
		}
	}
	b, err := json.Marshal(out)
	return string(b), err
}

// csvSummaries writes RFC 4180.
type csvSummaries struct {
	buffer *bufio.Writer
	w      *csv.Writer
	row    []string
}

func newCSVSummaries(out io.Writer) *csvSummaries {
	b := bufio.NewWriterSize(out, 256<<10)
	t := &csvSummaries{buffer: b, w: csv.NewWriter(b)}
	t.row = append(t.row, summaryColumns...)
	for c := range collector.NumChannels {
		for _, f := range figureColumns {
			t.row = append(t.row, collector.Channel(c).String()+f)
		}
	}
	_ = t.w.Write(append(t.row, extraColumn)) // an error is told at the end
	return t
}

func (t *csvSummaries) add(m *history.Summary) error {
	extra, err := extraSummary(m.Extra)
	if err != nil {
		return err
	}
	t.row = append(t.row[:0], m.Start.Time().Format("2006-01-02T15:04:05Z"), m.Machine, m.Site,
		strconv.Itoa(m.Readings), strconv.Itoa(m.Online), strconv.Itoa(m.Offline))
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for c := range collector.NumChannels {
		f := &m.Channel[c]
		if !m.Has.Has(collector.Channel(c)) {
			t.row = append(t.row, "", "", "", "")
			continue
		}
		t.row = append(t.row, strconv.Itoa(f.Count), number(f.Min), number(f.Max), number(f.Mean()))
	}
	return t.w.Write(append(t.row, extra))
}

func (t *csvSummaries) close() error {
	t.w.Flush()
	return errors.Join(t.w.Error(), t.buffer.Flush())
}

// parquetSummaries writes Apache Parquet, compressed with Zstandard.
type parquetSummaries struct {
	w    *parquet.GenericWriter[any]
	rows []parquet.Row
	at   []int // column of each field: summaryColumns, the figures of the channels, extra
}

func newParquetSummaries(out io.Writer) *parquetSummaries {
	group := parquet.Group{
		"time":    parquet.Timestamp(parquet.Millisecond),
		"machine": parquet.Encoded(parquet.String(), &parquet.RLEDictionary),
		"site":    parquet.Encoded(parquet.String(), &parquet.RLEDictionary),
		"extra":   parquet.Optional(parquet.JSON()),
	}
	names := append([]string{}, summaryColumns...)
	for _, name := range summaryColumns[3:] {
		group[name] = parquet.Leaf(parquet.Int64Type)
	}
	for c := range collector.NumChannels {
		for i, f := range figureColumns {
			name := collector.Channel(c).String() + f
			leaf := parquet.Leaf(parquet.DoubleType)
			if i == 0 {
				leaf = parquet.Leaf(parquet.Int64Type)
			}
			group[name] = parquet.Optional(leaf)
			names = append(names, name)
		}
	}
	schema := parquet.NewSchema("quarter_hour", group)
	t := &parquetSummaries{w: parquet.NewGenericWriter[any](out, schema, parquet.Compression(&parquet.Zstd))}
	column := map[string]int{}
	for i, path := range schema.Columns() {
		column[path[0]] = i
	}
	for _, name := range append(names, extraColumn) {
		t.at = append(t.at, column[name])
	}
	return t
}

func (t *parquetSummaries) add(m *history.Summary) error {
	extra, err := extraSummary(m.Extra)
	if err != nil {
		return err
	}
	row := make(parquet.Row, len(t.at))
	field := 0
	// An optional value that is there has definition level 1.
	set := func(v parquet.Value, defined int) { row[t.at[field]] = v.Level(0, defined, t.at[field]); field++ }
	set(parquet.Int64Value(int64(m.Start)), 0)
	set(parquet.ByteArrayValue([]byte(m.Machine)), 0)
	set(parquet.ByteArrayValue([]byte(m.Site)), 0)
	for _, n := range []int{m.Readings, m.Online, m.Offline} {
		set(parquet.Int64Value(int64(n)), 0)
	}
	for c := range collector.NumChannels {
		f := &m.Channel[c]
		if !m.Has.Has(collector.Channel(c)) {
			for range figureColumns {
				set(parquet.NullValue(), 0)
			}
			continue
		}
		set(parquet.Int64Value(int64(f.Count)), 1)
		for _, v := range []float64{f.Min, f.Max, f.Mean()} {
			set(parquet.DoubleValue(v), 1)
		}
	}
	if extra == "" {
		set(parquet.NullValue(), 0)
	} else {
		set(parquet.ByteArrayValue([]byte(extra)), 1)
	}
	if t.rows = append(t.rows, row); len(t.rows) < 1024 {
		return nil
	}
	return t.flush()
}

func (t *parquetSummaries) flush() error {
	_, err := t.w.WriteRows(t.rows)
	t.rows = t.rows[:0]
	return err
}

func (t *parquetSummaries) close() error { return errors.Join(t.flush(), t.w.Close()) }
