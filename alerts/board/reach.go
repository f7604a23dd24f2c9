package board

import (
	"time"
)

// reach is a span of the strips that a reader may choose.
type reach struct {
	name, label string
	span        time.Duration
	over        time.Duration // where columns are broad, lines are means over so long
	overWords   string
	gap         time.Duration // least wall time between two looks of a live page
	major       time.Duration // between labelled ticks; 0: mark says where they are
	mark        func(day time.Time) (label string, fine bool)
}

const aDay = 24 * time.Hour

// reaches are the spans, the first the default. A mean is over whole days where a
// column is no longer short against one: columns of twelve hours would beat with
// day and night.
var reaches = []reach{
	{name: "24h", label: "24 hours", span: aDay, over: time.Hour, overWords: "an hour", gap: 10 * time.Second, major: 3 * time.Hour},
	{name: "3d", label: "3 days", span: 3 * aDay, over: time.Hour, overWords: "an hour", gap: 10 * time.Second, major: 12 * time.Hour},
	{name: "7d", label: "7 days", span: 7 * aDay, over: time.Hour, overWords: "an hour", gap: 10 * time.Second, major: aDay},
	{name: "30d", label: "30 days", span: 30 * aDay, over: time.Hour, overWords: "an hour", gap: 5 * time.Minute, mark: mondays},
	{name: "90d", label: "90 days", span: 90 * aDay, over: aDay, overWords: "a day", gap: 15 * time.Minute, mark: halfMonths},
	{name: "1y", label: "year", span: 365 * aDay, over: aDay, overWords: "a day", gap: 15 * time.Minute, mark: months},
	{name: "3y", label: "3 years", span: 1096 * aDay, over: 7 * aDay, overWords: "a week", gap: 15 * time.Minute, mark: quarters},
}

// longestTrace is the longest span for which the models are run again: longer ones
// show what was measured alone.
const longestTrace = 30 * aDay

func reachOf(name string) *reach {
	for i := range reaches {
		if reaches[i].name == name {
			return &reaches[i]
		}
	}
	return &reaches[0]
}

func mondays(day time.Time) (label string, fine bool) {
	if day.Weekday() == time.Monday {
		label = day.Format("2" + nb + "Jan")
	}
	return label, false
}

func halfMonths(day time.Time) (label string, fine bool) {
	if day.Day() == 1 || day.Day() == 15 {
		label = day.Format("2" + nb + "Jan")
	}
	return label, day.Day() != 1
}

func months(day time.Time) (label string, fine bool) {
	if day.Day() != 1 {
		return "", false
	}
	return day.Format(either(day.Month() == time.January, "2006", "Jan")), day.Month()%3 != 1
}

func quarters(day time.Time) (label string, fine bool) {
	if day.Day() != 1 || day.Month()%3 != 1 {
		return "", false
	}
	return day.Format(either(day.Month() == time.January, "2006", "Jan")), day.Month() != time.January
}

// ticks labels the frame.
func (c *reach) ticks(f frame, r Reader, loc *time.Location) []tick {
	if c.mark == nil {
		return timeTicks(f, c.major, r, loc)
	}
	var out []tick
	from := f.from.In(loc)
	for n := 0; ; n++ {
		day := time.Date(from.Year(), from.Month(), from.Day()+n, 0, 0, 0, 0, loc)
		if day.After(f.to) {
			return out
		}
		if label, fine := c.mark(day); label != "" && !day.Before(f.from) {
			x := f.share(day)
			out = append(out, tick{X: per(x), Top: either(fine, "23", "18"), Label: label, Anchor: anchor(x), Fine: fine})
		}
	}
}

// window is the time of the strips of a machine, and the ways to others.
type window struct {
	*reach
	frame
	past           bool   // it does not end now
	Past           string // when it ends, if not now
	Present        string // address of the strips that end now
	Earlier, Later string // addresses of the strips before and after; "" none
	Day, Today     string // the last day of the strips, and the last there is, for the form
	Span, Address  string // what the form keeps
	Spans          []spanChoice
}

// windowOf reads which strips are asked for: a span, and when it ends, which is a
// moment or the end of a day by the site's clock, now if it is none of the past.
func (b *Board) windowOf(r Reader, machine string, q stripsQuery, loc *time.Location) window {
	now := b.clock.Now()
	w := window{reach: reachOf(q.span)}
	end := now
	if t, err := time.Parse(time.RFC3339, q.until); err == nil {
		end = t
	}
	if t, err := time.ParseInLocation(time.DateOnly, q.day, loc); err == nil {
		end = time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, loc)
	}
	if w.past = end.Before(now); !w.past {
		end = now
	}
	w.frame = frame{end.Add(-w.span), end}
	w.Address, w.Span = machineURL(machine), w.name
	at := func(name string, until time.Time) string {
		address := w.Address + "?span=" + name
		if until.Before(now) {
			address += "&until=" + until.UTC().Format("2006-01-02T15:04:05Z")
		}
		return address + "#strips"
	}
	for _, c := range reaches {
		w.Spans = append(w.Spans, spanChoice{c.label, at(c.name, end), c.name == w.name})
	}
	w.Earlier = at(w.name, w.from)
	if w.past {
		w.Past, w.Present, w.Later = r.moment(end, now, loc), at(w.name, now), at(w.name, end.Add(w.span))
	}
	w.Today, w.Day = now.In(loc).Format(time.DateOnly), end.Add(-time.Second).In(loc).Format(time.DateOnly)
	return w
}

// stripsQuery is what an address asks for.
type stripsQuery struct{ span, until, day string }

// live reports whether the strips go on, and how often they are worth a look.
func (q stripsQuery) live() (still bool, gap time.Duration) {
	return q.until != "" || q.day != "", reachOf(q.span).gap
}
