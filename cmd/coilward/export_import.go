package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
)

// importCommand is the command line of import.
type importCommand struct {
	Config string   `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file: it names the data folder, and the fleet file that says where a machine is."`
	Files  []string `arg:"" name:"file" help:"CSV files (RFC 4180); .gz is unpacked, - is standard input. Taken in the order given."`
}

// Help is the longer text.
func (importCommand) Help() string {
	return `Adds old readings to the history; the daemon must be stopped. The first row names the columns: time (RFC 3339, or Unix seconds) and machine, then any of site, status, extra, and the channels, in the units of the channel table. An empty field is no value. Rows that are bad are told with their line and left out; the others are kept. Values that are stored already are passed over, so a file may be imported again.

Rows newer than all that is stored are taken as if they had come in when they were measured, so models learn from them and trials can be made on them: sort the rows by time, over all machines, and import before the daemon has stored anything. Older rows are shown on the strips only. Days are kept by when they came in: see retain_days.

Example:
  coilward import --config /etc/coilward/coilward.yaml 2024.csv.gz 2025.csv.gz`
}

func (c *importCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward import: %v\n", err)
		return status
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	f, ok := readFleet(conf.FleetFile, s)
	if !ok {
		return statusUsage
	}
	store, err := history.Open(history.Options{Dir: filepath.Join(conf.DataDir, historyDir), Log: zerolog.Nop()})
	if err != nil {
		return fail(statusFailed, fmt.Errorf("%w; stop the daemon for an import", err))
	}
	in := &importer{store: store, fleet: f, errors: s.err, now: collector.MillisOf(time.Now())}
	for _, m := range store.Machines() {
		in.received = max(in.received, m.LastReceived)
	}
	for _, name := range c.Files {
		if err = in.file(ctx, name, s.in); err != nil {
			break
		}
	}
	err = errors.Join(err, in.store.Settle(), store.Close())
	fmt.Fprintf(s.err, "%d %s added, %d there already, %d bad\n", in.added, plural(in.added, "row"), in.known, in.bad)
	switch {
	case err != nil:
		return fail(statusFailed, err)
	case in.added+in.known == 0:
		return fail(statusFailed, errors.New("no row could be read"))
	}
	return statusOK
}

// importer adds rows to the history.
type importer struct {
	store    *history.Store
	fleet    *fleet.Fleet
	errors   io.Writer
	now      collector.Millis
	received collector.Millis // of the newest reading

	rows              []collector.Reading // not stored yet
	added, known, bad int
}

// importBatch is how many rows are held against the history at once.
const importBatch = 20_000

// file imports one file. What is wrong with a row is told; the error is about the
// file or the store.
func (in *importer) file(ctx context.Context, name string, stdin io.Reader) error {
	var read atomic.Int64
	src, done, err := openRecording(name, stdin, &read)
	if err != nil {
		return err
	}
	defer done()
	r := csv.NewReader(src)
	r.ReuseRecord = true
	names, err := r.Read()
	if err != nil {
		return fmt.Errorf("%s:1: the names of the columns cannot be read: %w", nameOf(name), err)
	}
	columns, err := columnsOf(names)
	if err != nil {
		return fmt.Errorf("%s:1: %w", nameOf(name), err)
	}
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			return in.flush(ctx)
		}
		var parse *csv.ParseError
		var row collector.Reading
		line := 0
		switch {
		case errors.As(err, &parse):
			line, err = parse.Line, parse.Err
			if errors.Is(err, csv.ErrFieldCount) {
				err = fmt.Errorf("%d fields, the first row names %d columns", len(fields), len(columns))
			}
		case err != nil:
			return errors.Join(fmt.Errorf("%s: %w", nameOf(name), err), in.flush(ctx))
		default:
			line, _ = r.FieldPos(0)
			row, err = in.row(columns, fields)
		}
		if err != nil {
			if in.bad++; in.bad <= mostBadLines {
				fmt.Fprintf(in.errors, "%s:%d: %v\n", nameOf(name), line, err)
			}
			continue
		}
		if in.rows = append(in.rows, row); len(in.rows) >= importBatch {
			if err := in.flush(ctx); err != nil {
				return err
			}
		}
	}
}

// column is what a column holds: one of the firstColumns or extraColumn, or a
// channel.
type column struct {
	name    string
	channel collector.Channel
	is      bool // a channel
}

// columnsOf reads the names of the columns.
func columnsOf(names []string) ([]column, error) {
	var out []column
	var unknown []string
	for i, name := range names {
		if i == 0 {
			name = strings.TrimPrefix(name, "\ufeff") // a byte order mark
		}
		c, is := collector.ChannelByName(name)
		if !is && name != extraColumn && !slices.Contains(firstColumns, name) {
			unknown = append(unknown, name)
		}
		if slices.ContainsFunc(out, func(o column) bool { return o.name == name }) {
			return nil, fmt.Errorf("column %q is there twice", name)
		}
		out = append(out, column{name, c, is})
	}
	if len(unknown) > 0 {
		return nil, fmt.Errorf("no such %s: %s; a column is time, machine, site, status, extra or a channel such as cabinet_air: rename it, or leave it out",
			plural(len(unknown), "column"), strings.Join(unknown, ", "))
	}
	for _, needed := range []string{"time", "machine"} {
		if !slices.ContainsFunc(out, func(c column) bool { return c.name == needed }) {
			return nil, fmt.Errorf("column %s is missing", needed)
		}
	}
	return out, nil
}

// row reads one row.
func (in *importer) row(columns []column, fields []string) (r collector.Reading, err error) {
	for i, c := range columns {
		text := strings.TrimSpace(fields[i])
		if text == "" {
			continue
		}
		switch {
		case c.is:
			v, err := channelValue(c.channel, text)
			if err != nil {
				return r, err
			}
			r.Has, r.Value[c.channel] = r.Has.With(c.channel), v
		case c.name == "time":
			if r.At, err = instantOf(text); err != nil {
				return r, err
			}
		case c.name == "machine":
			r.Machine = strings.Clone(text)
		case c.name == "site":
			r.Site = strings.Clone(text)
		case c.name == "status":
			if r.Status = map[string]collector.Status{"online": collector.Online, "offline": collector.Offline}[text]; r.Status == collector.NoStatus {
				return r, fmt.Errorf("status is %q; it must be online or offline", text)
			}
		case c.name == extraColumn:
			if err := json.Unmarshal([]byte(text), &r.Extra); err != nil {
				return r, fmt.Errorf("extra is not as export writes it: %w", err)
			}
		}
	}
	m, listed := in.fleet.Machine(r.Machine)
	if listed && r.Site == "" {
		r.Site = m.Site
	}
	switch {
	case r.At == 0:
		return r, errors.New("time is missing")
	case !fleet.ValidID(r.Machine):
		return r, fmt.Errorf("machine is %q; an id is letters, digits, dots, dashes, at most 64", r.Machine)
	case !fleet.ValidID(r.Site):
		return r, fmt.Errorf("where is machine %s? List it in the fleet file, or add a column site", r.Machine)
	case r.At > in.now.Add(collector.DefaultAhead):
		return r, fmt.Errorf("time %s is in the future", r.At.Time().Format(time.RFC3339))
	case r.Has == 0 && len(r.Extra) == 0 && r.Status == collector.NoStatus:
		return r, errors.New("there is no value in it")
	case r.Has != 0 && r.Status != collector.NoStatus:
		return r, errors.New("status and values are two rows")
	}
	return r, nil
}

// channelValue reads a value and refuses what the channel cannot have.
func channelValue(c collector.Channel, text string) (float64, error) {
	if c.IsBool() {
		switch text {
		case "true", "1":
			return 1, nil
		case "false", "0":
			return 0, nil
		}
		return 0, fmt.Errorf("%s is %q; it must be true or false", c, text)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%s is %q, which is no number; write 3.4", c, text)
	}
	if i := c.Info(); v < i.Min || v > i.Max {
		return 0, fmt.Errorf("%s is %g %s, which cannot be: %g to %g can", c, v, i.Unit, i.Min, i.Max)
	}
	return v, nil
}

// instantOf reads a time: RFC 3339, or seconds since 1970.
func instantOf(text string) (collector.Millis, error) {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return collector.MillisOf(t), nil
	}
	if s, err := strconv.ParseFloat(text, 64); err == nil && s > 0 && s < 1e11 {
		return collector.Millis(math.Round(s * 1000)), nil
	}
	return 0, fmt.Errorf("time is %q; write it as 2026-07-01T00:00:00Z, or in seconds since 1970", text)
}

// flush stores what is not stored yet.
func (in *importer) flush(ctx context.Context) error {
	if err := in.strip(ctx); err != nil {
		return err
	}
	for len(in.rows) > 0 {
		// What came in within one hour is stored together.
		n := 0
		hour := func(m collector.Millis) collector.Millis { return m / collector.Millis(time.Hour.Milliseconds()) }
		for n < len(in.rows) {
			received := max(in.received, in.rows[n].At)
			if n > 0 && hour(received) != hour(in.received) {
				break
			}
			in.received, in.rows[n].Received = received, received
			n++
		}
		if err := in.store.Append(ctx, in.rows[:n]); err != nil {
			return err
		}
		in.added += n
		in.rows = in.rows[n:]
	}
	return nil
}

// strip takes away what is stored already, or came before in these rows: of
// values for one machine, instant and channel, the first counts.
func (in *importer) strip(ctx context.Context) error {
	type bounds struct{ first, last collector.Millis }
	machines := map[string]bounds{}
	for i := range in.rows {
		r := &in.rows[i]
		b, ok := machines[r.Machine]
		if !ok {
			b = bounds{r.At, r.At}
		}
		machines[r.Machine] = bounds{min(b.first, r.At), max(b.last, r.At)}
	}
	type place struct {
		machine string
		at      collector.Millis
	}
	type held struct {
		has    collector.ChannelSet
		status [3]bool
		extra  string
	}
	there := map[place]*held{}
	for machine, b := range machines {
		err := in.store.Range(ctx, machine, b.first, b.last+1, func(e *history.Entry) error {
			p := place{machine, e.At}
			h := there[p]
			if h == nil {
				h = &held{}
				there[p] = h
			}
			h.has |= e.Has
			h.status[e.Status] = true
			for _, x := range e.Extra {
				h.extra += "\x00" + x.Name + "\x00"
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	in.rows = slices.DeleteFunc(in.rows, func(r collector.Reading) bool {
		h := there[place{r.Machine, r.At}]
		known := h != nil && (r.Status != collector.NoStatus && h.status[r.Status] || r.Status == collector.NoStatus && r.Has&^h.has == 0 &&
			!slices.ContainsFunc(r.Extra, func(x collector.Extra) bool { return !strings.Contains(h.extra, "\x00"+x.Name+"\x00") }))
		if known {
			in.known++
			return true
		}
		if h == nil {
			h = &held{}
			there[place{r.Machine, r.At}] = h
		}
		h.has |= r.Has
		h.status[r.Status] = true
		for _, x := range r.Extra {
			h.extra += "\x00" + x.Name + "\x00"
		}
		return false
	})
	return nil
}
