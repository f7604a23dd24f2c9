package influx

import (
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/history"
)

// How long a stretch is asked for at once: it grows while answers are small.
const (
	firstWindow = time.Hour
	mostWindow  = 7 * 24 * time.Hour
	manyRows    = 50_000
)

// Arrived yields what was received from the machines, of all if machines is nil,
// at from ≤ Received < to, in the order of arrival, as the history's does. It asks
// for stretches of measured time and holds what came late until its turn; what
// does not fit into Options.Hold waits in a temporary file.
//
// InfluxDB keeps one point for readings of one machine and instant: where a
// machine's values came in several readings, they come back as one, received
// when the last was.
func (d *DB) Arrived(ctx context.Context, machines map[string]bool, from, to collector.Millis, each func(*history.Entry) error) (err error) {
	first, last, ok, err := d.ends(ctx)
	if err != nil || !ok || from >= to || machines != nil && len(machines) == 0 {
		return err
	}
	// A reading is never measured much after it came in.
	ahead := collector.Millis(collector.DefaultAhead.Milliseconds())
	s := newSorter(d.o.Hold)
	defer func() { s.close(&err) }()
	rows := 0
	ask := func(where string) error {
		rows = 0
		var e history.Entry
		return d.rows(ctx, where+among(machines), func(h *heading, fields []string) error {
			rows++
			if err := h.entry(fields, &e); err != nil {
				return err
			}
			if e.Seq == 0 || e.Received < from || e.Received >= to {
				return nil
			}
			return s.push(&e)
		})
	}
	at := first
	if from > first {
		at = from
		if err := ask(fmt.Sprintf("time < %dms AND received >= %d AND received < %d", at, from, to)); err != nil {
			return err
		}
	}
	end := min(last+1, to+ahead)
	for window := firstWindow; at < end; {
		next := min(at.Add(window), end)
		if err := ask(fmt.Sprintf("time >= %dms AND time < %dms", at, next)); err != nil {
			return err
		}
		if err := s.pop(next-ahead, each); err != nil {
			return err
		}
		switch at = next; {
		case rows < manyRows/2:
			window = min(2*window, mostWindow)
		case rows > manyRows:
			window = max(window/2, time.Minute)
		}
	}
	return s.pop(to, each)
}

// Machines returns what there is of each machine, by name. When its first and
// last readings came in is looked for within the time that a reading may be
// late.
func (d *DB) Machines(ctx context.Context) ([]history.Span, error) {
	spans := map[string]*history.Span{}
	span := func(t tags) *history.Span {
		s := spans[t.machine]
		if s == nil {
			s = &history.Span{Machine: t.machine, Site: t.site}
			spans[t.machine] = s
		}
		return s
	}
	first, last, ok, err := d.ends(ctx)
	if err != nil || !ok {
		return nil, err
	}
	group := fmt.Sprintf(` FROM %q WHERE `, measurement)
	late := collector.Millis(2 * collector.DefaultAge.Milliseconds())
	for _, ask := range []struct {
		q    string
		take func(s *history.Span, at, received collector.Millis)
	}{
		{fmt.Sprintf(`SELECT FIRST(received)%stime <= %dms`, group, last), func(s *history.Span, at, received collector.Millis) {
			s.FirstAt, s.FirstReceived, s.LastReceived = at, received, received
		}},
		{fmt.Sprintf(`SELECT LAST(received)%stime >= %dms`, group, first), func(s *history.Span, at, received collector.Millis) {
			s.LastAt, s.LastReceived = at, max(s.LastReceived, received)
		}},
		{fmt.Sprintf(`SELECT MIN(received)%stime < %dms`, group, first+late), func(s *history.Span, _, received collector.Millis) {
			s.FirstReceived = min(s.FirstReceived, received)
		}},
		{fmt.Sprintf(`SELECT MAX(received)%stime > %dms`, group, last-late), func(s *history.Span, _, received collector.Millis) {
			s.LastReceived = max(s.LastReceived, received)
		}},
	} {
		answer, err := d.short(ctx, ask.q+` GROUP BY machine, site`)
		if err != nil {
			return nil, err
		}
		for _, part := range answer {
			for _, v := range part.Values {
				if len(v) == 2 {
					ask.take(span(tags{part.Tags["machine"], part.Tags["site"]}), collector.Millis(v[0]), collector.Millis(v[1]))
				}
			}
		}
	}
	var out []history.Span
	for _, name := range slices.Sorted(maps.Keys(spans)) {
		out = append(out, *spans[name])
	}
	return out, nil
}

// ends returns when the first and the last reading were measured; ok is false
// where there is none.
func (d *DB) ends(ctx context.Context) (first, last collector.Millis, ok bool, err error) {
	for _, ask := range []struct {
		function string
		at       *collector.Millis
	}{{"FIRST", &first}, {"LAST", &last}} {
		answer, err := d.short(ctx, fmt.Sprintf(`SELECT %s(received) FROM %q`, ask.function, measurement))
		if err != nil {
			return 0, 0, false, err
		}
		for _, part := range answer {
			for _, v := range part.Values {
				*ask.at, ok = collector.Millis(v[0]), true
			}
		}
	}
	return first, last, ok, nil
}

// among restricts a query to machines; nil is all.
func among(machines map[string]bool) string {
	if machines == nil {
		return ""
	}
	var names []string
	for _, m := range slices.Sorted(maps.Keys(machines)) {
		if machines[m] {
			names = append(names, strings.ReplaceAll(regexp.QuoteMeta(m), "/", `\/`))
		}
	}
	return ` AND machine =~ /^(?:` + strings.Join(names, "|") + `)$/`
}

// entry reads a reading from a row.
func (h *heading) entry(fields []string, e *history.Entry) error {
	*e = history.Entry{}
	t := h.tags(fields)
	e.Machine, e.Site = t.machine, t.site
	var unknown map[string]*collector.Extra
	beside := func(name string) *collector.Extra {
		if unknown == nil {
			unknown = map[string]*collector.Extra{}
		}
		x := unknown[name]
		if x == nil {
			x = &collector.Extra{Name: name}
			unknown[name] = x
		}
		return x
	}
	for i, text := range fields {
		if text == "" || i >= len(h.meaning) {
			continue
		}
		m := &h.meaning[i]
		var err error
		switch m.kind {
		case isChannel:
			e.Has = e.Has.With(m.channel)
			e.Value[m.channel], err = strconv.ParseFloat(text, 64)
		case isTime, isReceived, isSeq, isStatus:
			var n int64
			n, err = strconv.ParseInt(text, 10, 64)
			switch m.kind {
			case isTime:
				e.At = collector.Millis(n)
			case isReceived:
				e.Received = collector.Millis(n)
			case isSeq:
				e.Seq = uint64(n)
			case isStatus:
				e.Status = collector.Status(n)
			}
		case isExtra:
			beside(m.name).Value, err = strconv.ParseFloat(text, 64)
		case isUnit:
			beside(m.name).Unit = text
		case isText:
			beside(m.name).Text = unescape.Replace(text)
		}
		if err != nil {
			return fmt.Errorf("influx: %s of %s is %q: %w", h.names[i], e.Machine, text, err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(unknown)) {
		e.Extra = append(e.Extra, *unknown[name])
	}
	return nil
}
