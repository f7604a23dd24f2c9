package assess

import (
	"math"
	"slices"

	"coilward/detect"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

// falseAlarms counts the findings about a machine that nothing bears out.
func (f *Figures) falseAlarms(m *truth.Machine, stories []story, episodes []*episode, end float64) {
	set := setOf(m)
	days := free(m, episodes, end) / 86400
	f.False.MachineDays += days
	f.False.DaysBySet[set] += days
	was := f.False.Urgent
	for _, h := range stories {
		first := &h[0]
		if !noticesAny(episodes, first) && !dontCare(m, first.Fault, first.At) {
			f.False.Any++
		}
		i := slices.IndexFunc(h, func(w Word) bool { return w.Change != detect.Cleared && w.Urgent })
		if i < 0 || noticesAny(episodes, &h[i]) || dontCare(m, h[i].Fault, h[i].At) {
			continue
		}
		f.False.Urgent++
		f.False.ByFault[h[i].Fault]++
		f.False.BySet[set]++
		f.False.After[Before(m, h[i].At)]++
	}
	if f.False.Urgent > was {
		f.False.Machines++
	}
}

func noticesAny(episodes []*episode, w *Word) bool {
	return slices.ContainsFunc(episodes, func(e *episode) bool { return e.credit(w.Fault, w.At) })
}

func dontCare(m *truth.Machine, f fault.Fault, t float64) bool {
	return slices.ContainsFunc(m.DontCare, func(d truth.DontCare) bool { return d.Holds(f, t) })
}

// free is how long the machine was without a fault, s.
func free(m *truth.Machine, episodes []*episode, end float64) float64 {
	var busy []truth.Span
	for _, e := range episodes {
		if e.Material != nil {
			busy = append(busy, truth.Span{From: math.Max(e.Onset-slack, *e.Material-effectSlack), To: e.end + slack})
		}
	}
	for _, d := range m.DontCare {
		if d.All {
			busy = append(busy, truth.Span{From: d.From, To: d.To})
		}
	}
	slices.SortFunc(busy, func(a, b truth.Span) int {
		if a.From < b.From {
			return -1
		}
		return 1
	})
	free, t := 0.0, 0.0
	for _, b := range busy {
		from, to := max(b.From, 0), min(b.To, end)
		if from > t {
			free += from - t
		}
		t = max(t, to)
	}
	return free + max(0, end-t)
}

// Before says what ordinary thing befell the machine shortly before t.
func Before(m *truth.Machine, t float64) string {
	for _, k := range []struct {
		events []truth.Event
		felt   float64 // h
		name   string
	}{
		{m.Life.Restocks, 14, "restock"}, {m.Life.Cleanings, 6, "cleaning"}, {m.Life.Blips, 2, "power blip"},
		{m.Life.Outages, 4, "link outage"}, {m.Life.Turns, 36, "setpoint moved"},
	} {
		for _, e := range k.events {
			if e.At <= t && t <= e.At+k.felt*hour {
				return k.name
			}
		}
	}
	if room := m.Hourly.Room; len(room) > 0 && room[max(0, min(int(t/hour), len(room)-1))] > 31 {
		return "heat (over 31 °C)"
	}
	if m.Life.EnergySaver {
		return "nothing, but it has an energy saver"
	}
	return "nothing in particular"
}

type brierSum struct {
	sum float64
	n   int
}

// calibrate compares the probability of a finding's leading name, as raised,
// with whether it was right (Brier, Monthly Weather Review 78, 1950).
func (f *Figures) calibrate(m *truth.Machine, stories []story, episodes []*episode, b *brierSum) {
	for _, h := range stories {
		w := &h[0]
		right := slices.ContainsFunc(episodes, func(e *episode) bool {
			return e.credit(w.Fault, w.At) && e.right(w.Fault, w.At)
		})
		if !noticesAny(episodes, w) && dontCare(m, w.Fault, w.At) {
			continue
		}
		bin := &f.Reliability[min(int(w.Probability*5), 4)]
		bin.Findings++
		bin.Said += w.Probability
		y := 0.0
		if right {
			y = 1
			bin.Right++
		}
		b.sum += (w.Probability - y) * (w.Probability - y)
		b.n++
	}
}

// forecast compares the time of the limit as it was said with the true one.
func (f *Figures) forecast(e *episode) {
	at, noticed := e.raisedAt()
	if !noticed {
		return
	}
	first := e.raised[0]
	if e.Limit == nil {
		if first.word.HasLimit && !e.LimitShared && !e.OutAtOnset && e.Fault != fault.Silent && e.Fault != fault.SensorFault && e.Ended == nil {
			f.Forecast.Needless++
		}
		return
	}
	if at >= *e.Limit || e.LimitConfounded {
		return
	}
	f.Forecast.Episodes++
	if first.word.HasLimit {
		f.Forecast.Given++
		off := (first.word.Limit - *e.Limit) / hour
		f.Forecast.Error = append(f.Forecast.Error, math.Abs(off))
		if off > math.Max(0.5, 0.1*(*e.Limit-at)/hour) {
			f.Forecast.Optimistic++
		}
	}
	if w := first.story.at(*e.Limit - hour/2); w != nil && w.Change != detect.Cleared && w.HasLimit {
		f.Forecast.LastError = append(f.Forecast.LastError, math.Abs(w.Limit-*e.Limit)/hour)
	}
}
