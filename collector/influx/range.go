package influx

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"coilward/collector"
	"coilward/collector/history"
)

// Range yields what a machine measured at from ≤ At < to, by At, as the history
// does. Values of one instant that came in several readings are one reading;
// values of unknown channels are by name. It asks for a day at a time.
func (d *DB) Range(ctx context.Context, machine string, from, to collector.Millis, each func(*history.Entry) error) error {
	for ; from < to; from = from.Add(24 * time.Hour) {
		if err := d.day(ctx, machine, from, min(to, from.Add(24*time.Hour)), each); err != nil {
			return err
		}
	}
	return nil
}

func (d *DB) day(ctx context.Context, machine string, from, to collector.Millis, each func(*history.Entry) error) error {
	result, err := d.query.Query(ctx, fmt.Sprintf(
		`from(bucket: %s) |> range(start: %s, stop: %s) |> filter(fn: (r) => r._measurement == "%s" and r.machine == %s)`,
		quote(d.o.Bucket), from.Time().Format(time.RFC3339Nano), to.Time().Format(time.RFC3339Nano), measurement, quote(machine)))
	if err != nil {
		return fmt.Errorf("influx: reading %s: %w", machine, err)
	}
	rows := map[collector.Millis]*row{}
	for result.Next() {
		r := result.Record()
		at := collector.MillisOf(r.Time())
		if at < from || at >= to { // 1.8 gives the stop too
			continue
		}
		w := rows[at]
		if w == nil {
			w = &row{extra: map[string]*collector.Extra{}}
			w.Machine, w.At = machine, at
			rows[at] = w
		}
		w.take(r)
	}
	if err := result.Err(); err != nil {
		return fmt.Errorf("influx: reading %s: %w", machine, err)
	}
	for _, at := range slices.Sorted(maps.Keys(rows)) {
		w := rows[at]
		for _, x := range w.extra {
			w.Extra = append(w.Extra, *x)
		}
		slices.SortFunc(w.Extra, func(a, b collector.Extra) int { return cmp.Compare(a.Name, b.Name) })
		if err := each(&w.Entry); err != nil {
			return err
		}
	}
	return nil
}

// row is a reading that is being put together from its fields.
type row struct {
	history.Entry
	extra map[string]*collector.Extra
}

func (w *row) take(r *query.FluxRecord) {
	w.Site, _ = r.ValueByKey("site").(string)
	number, _ := r.Value().(float64)
	integer, _ := r.Value().(int64)
	text, _ := r.Value().(string)
	field := r.Field()
	if c, ok := collector.ChannelByName(field); ok {
		w.Has, w.Value[c] = w.Has.With(c), number
		return
	}
	switch field {
	case receivedField:
		w.Received = collector.Millis(integer)
	case seqField:
		w.Seq = uint64(integer)
	case statusField:
		w.Status = collector.Status(integer)
	}
	if name, ok := strings.CutPrefix(field, extraPrefix); ok {
		w.unknown(name).Value = number
	} else if name, ok := strings.CutPrefix(field, unitPrefix); ok {
		w.unknown(name).Unit = text
	} else if name, ok := strings.CutPrefix(field, textPrefix); ok {
		w.unknown(name).Text = unescape.Replace(text)
	}
}

func (w *row) unknown(name string) *collector.Extra {
	x := w.extra[name]
	if x == nil {
		x = &collector.Extra{Name: name}
		w.extra[name] = x
	}
	return x
}

// quote writes a string of Flux. Its escapes are Go's, but that "${" begins an
// expression there.
func quote(s string) string { return strings.ReplaceAll(strconv.Quote(s), "${", `\${`) }
