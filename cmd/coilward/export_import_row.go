package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
)

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
	case r.At < in.oldest:
		return r, tooOldError(r.At)
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

// tooOldError is the time of a row that would be deleted at once.
type tooOldError collector.Millis

func (e tooOldError) Error() string {
	return fmt.Sprintf("time %s is before all that is kept: see history.summary_days; rows like this are left out, and only counted", collector.Millis(e).Time().Format(time.RFC3339))
}
