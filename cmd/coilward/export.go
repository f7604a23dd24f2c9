package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"

	"coilward/collector"
	"coilward/collector/history"
)

// exportCommand is the command line of export.
type exportCommand struct {
	Data    string    `required:"" placeholder:"DIR" type:"path" help:"Data folder of a daemon, in use or not, or a backup."`
	Machine []string  `placeholder:"ID" help:"Only these machines; all if left out."`
	From    time.Time `placeholder:"TIME" help:"What was measured from this time on, such as 2026-07-01T00:00:00Z."`
	To      time.Time `placeholder:"TIME" help:"And before this."`
	What    string    `enum:"readings,summaries" default:"readings" help:"readings, or the quarter-hour summaries that old readings have become."`
	Format  string    `enum:"csv,parquet" default:"csv" help:"csv (RFC 4180) or parquet."`
	Out     string    `default:"-" placeholder:"FILE" type:"path" help:"File to write; - is standard output."`
}

// Help is the longer text.
func (exportCommand) Help() string {
	return `Writes stored readings, a row each: when it was measured (UTC), machine, site, status, then a column a channel in the units of the channel table (°C, A, V, %RH, 1/min, Wh, true or false), and last, as JSON, what was kept beside the channels. Rows are by machine, then time. What import reads back is the same.

With --what summaries a row is a quarter of an hour, from its time on: machine, site, how many readings and statuses, then of each channel count, least, greatest and mean (of true and false: the share of readings that were true). No reading is in both tables.

Example:
  coilward export --data /var/lib/coilward --machine cab-0417 --from 2026-07-01T00:00:00Z > july.csv
  coilward export --data /backup/coilward-2026-07-01 --format parquet --out fleet.parquet
  coilward export --data /var/lib/coilward --what summaries --format parquet --out years.parquet`
}

func (c *exportCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward export: %v\n", err)
		return status
	}
	from, to := collector.Millis(math.MinInt64/2), collector.Millis(1<<62)
	if !c.From.IsZero() {
		from = collector.MillisOf(c.From)
	}
	if !c.To.IsZero() {
		to = collector.MillisOf(c.To)
	}
	if from >= to {
		return fail(statusUsage, errors.New("--from must be before --to"))
	}
	store, done, err := openToRead(ctx, c.Data)
	if err != nil {
		return fail(statusFailed, err)
	}
	defer done()
	out, finish := s.out, func() error { return nil }
	if c.Out != "-" {
		f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return fail(statusFailed, err)
		}
		out, finish = f, f.Close
	}
	var rows int
	if c.What == "summaries" {
		rows, err = exportSummaries(ctx, store, c.Machine, from, to, newSummaryTable(c.Format, out))
	} else {
		rows, err = export(ctx, store, c.Machine, from, to, newTable(c.Format, out))
	}
	if err = errors.Join(err, finish()); err != nil {
		if c.Out != "-" {
			err = errors.Join(err, os.Remove(c.Out)) // half a table is none
		}
		return fail(statusFailed, err)
	}
	fmt.Fprintf(s.err, "%d %s\n", rows, plural(rows, "row"))
	if n := store.Stats().Summarised; c.What == "readings" && n > 0 {
		fmt.Fprintf(s.err, "%d older readings are summed up by quarters of an hour: see --what summaries\n", n)
	}
	return statusOK
}

// table takes rows.
type table interface {
	add(r *collector.Reading) error
	close() error
}

func newTable(format string, out io.Writer) table {
	if format == "parquet" {
		return newParquetTable(out)
	}
	return newCSVTable(out)
}

// export writes the readings of the machines, all if none are named.
func export(ctx context.Context, store *history.Store, machines []string, from, to collector.Millis, t table) (rows int, err error) {
	spans := map[string]history.Span{}
	all := len(machines) == 0
	for _, m := range store.Machines() {
		spans[m.Machine] = m
		if all {
			machines = append(machines, m.Machine)
		}
	}
	for _, id := range machines {
		m, ok := spans[id]
		if !ok {
			return rows, fmt.Errorf("the history holds nothing of %s", id)
		}
		err := store.Range(ctx, id, max(from, m.FirstAt), min(to, m.LastAt+1), func(e *history.Entry) error {
			rows++
			return t.add(&e.Reading)
		})
		if err != nil {
			return rows, err
		}
	}
	return rows, t.close()
}

// firstColumns are the columns before the channels; extraColumn is the last.
var firstColumns = []string{"time", "machine", "site", "status"}

const extraColumn = "extra"

func statusWord(s collector.Status) string {
	switch s {
	case collector.Online:
		return "online"
	case collector.Offline:
		return "offline"
	}
	return ""
}

// extraText writes what is beside the channels; "" for nothing.
func extraText(extra []collector.Extra) (string, error) {
	if len(extra) == 0 {
		return "", nil
	}
	b, err := json.Marshal(extra)
	return string(b), err
}

// csvTable writes RFC 4180.
type csvTable struct {
	buffer *bufio.Writer
	w      *csv.Writer
	row    []string
	begun  bool
}

func newCSVTable(out io.Writer) *csvTable {
	b := bufio.NewWriterSize(out, 256<<10)
	return &csvTable{buffer: b, w: csv.NewWriter(b)}
}

func (t *csvTable) header() error {
	if t.begun {
		return nil
	}
	t.begun = true
	row := append([]string{}, firstColumns...)
	for c := range collector.NumChannels {
		row = append(row, collector.Channel(c).String())
	}
	return t.w.Write(append(row, extraColumn))
}

func (t *csvTable) add(r *collector.Reading) error {
	if err := t.header(); err != nil {
		return err
	}
	extra, err := extraText(r.Extra)
	if err != nil {
		return err
	}
	t.row = append(t.row[:0], r.At.Time().Format("2006-01-02T15:04:05.999Z"), r.Machine, r.Site, statusWord(r.Status))
	for c := range collector.NumChannels {
		c := collector.Channel(c)
		switch {
		case !r.Has.Has(c):
			t.row = append(t.row, "")
		case c.IsBool():
			t.row = append(t.row, strconv.FormatBool(r.Value[c] != 0))
		default:
			t.row = append(t.row, strconv.FormatFloat(r.Value[c], 'g', -1, 64))
		}
	}
	return t.w.Write(append(t.row, extra))
}

func (t *csvTable) close() error {
	err := t.header()
	t.w.Flush()
	return errors.Join(err, t.w.Error(), t.buffer.Flush())
}

// parquetTable writes Apache Parquet, compressed with Zstandard.
type parquetTable struct {
	w    *parquet.GenericWriter[any]
	rows []parquet.Row
	at   []int // column of each field: firstColumns, channels, extra
}

func newParquetTable(out io.Writer) *parquetTable {
	group := parquet.Group{
		"time":    parquet.Timestamp(parquet.Millisecond),
		"machine": parquet.Encoded(parquet.String(), &parquet.RLEDictionary),
		"site":    parquet.Encoded(parquet.String(), &parquet.RLEDictionary),
		"status":  parquet.Optional(parquet.Encoded(parquet.String(), &parquet.RLEDictionary)),
		"extra":   parquet.Optional(parquet.JSON()),
	}
	for c := range collector.NumChannels {
		c := collector.Channel(c)
		leaf := parquet.Leaf(parquet.DoubleType)
		if c.IsBool() {
			leaf = parquet.Leaf(parquet.BooleanType)
		}
		group[c.String()] = parquet.Optional(leaf)
	}
	schema := parquet.NewSchema("reading", group)
	t := &parquetTable{w: parquet.NewGenericWriter[any](out, schema, parquet.Compression(&parquet.Zstd))}
	column := map[string]int{}
	for i, path := range schema.Columns() {
		column[path[0]] = i
	}
	for _, name := range firstColumns {
		t.at = append(t.at, column[name])
	}
	for c := range collector.NumChannels {
		t.at = append(t.at, column[collector.Channel(c).String()])
	}
	t.at = append(t.at, column[extraColumn])
	return t
}

func (t *parquetTable) add(r *collector.Reading) error {
	extra, err := extraText(r.Extra)
	if err != nil {
		return err
	}
	row := make(parquet.Row, len(t.at))
	// An optional value that is there has definition level 1.
	set := func(field int, v parquet.Value, defined int) { row[t.at[field]] = v.Level(0, defined, t.at[field]) }
	text := func(field int, s string) {
		if s == "" {
			set(field, parquet.NullValue(), 0)
			return
		}
		set(field, parquet.ByteArrayValue([]byte(s)), 1)
	}
	set(0, parquet.Int64Value(int64(r.At)), 0)
	set(1, parquet.ByteArrayValue([]byte(r.Machine)), 0)
	set(2, parquet.ByteArrayValue([]byte(r.Site)), 0)
	text(3, statusWord(r.Status))
	for c := range collector.NumChannels {
		field, c := len(firstColumns)+c, collector.Channel(c)
		switch {
		case !r.Has.Has(c):
			set(field, parquet.NullValue(), 0)
		case c.IsBool():
			set(field, parquet.BooleanValue(r.Value[c] != 0), 1)
		default:
			set(field, parquet.DoubleValue(r.Value[c]), 1)
		}
	}
	text(len(t.at)-1, extra)
	if t.rows = append(t.rows, row); len(t.rows) < 1024 {
		return nil
	}
	return t.flush()
}

func (t *parquetTable) flush() error {
	_, err := t.w.WriteRows(t.rows)
	t.rows = t.rows[:0]
	return err
}

func (t *parquetTable) close() error { return errors.Join(t.flush(), t.w.Close()) }
