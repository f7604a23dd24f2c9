package alerts

import (
	"cmp"
	"slices"
	"time"

	"coilward/collector"
)

// Figures of ISA-18.2 and EEMUA 191 for alarms that come and go; from memory.
const (
	ChatterTimes  = 3                // transitions into alarm …
	ChatterWithin = 60 * time.Second // … within this are chattering
	FleetingUnder = 60 * time.Second // an alarm over this soon, and not chattering, is fleeting
	FrequentTop   = 10               // the most frequent are looked at together
	FrequentMost  = 0.05             // share of all activations they may have
)

// Activation is one time that something went into alarm.
type Activation struct {
	From, To collector.Millis // To 0 while it lasts
}

// Source is what goes into alarm: one alert, however often it comes back, or one
// fault of one machine.
type Source struct {
	Name        string
	Activations []Activation // oldest first
}

// Annoyance is how the alarms of a time behaved, held against the standard.
type Annoyance struct {
	Activations   int
	Chattering    []string // sources that went into alarm 3 times or more within 60 s
	Fleeting      []string // sources with an activation of less than 60 s that do not chatter
	Frequent      []Source // the ten most frequent, most first
	FrequentShare float64  // of all activations, 0..1
}

// MeasureAnnoyance looks at what went into alarm at from ≤ t < to.
func MeasureAnnoyance(sources []Source, from, to collector.Millis) Annoyance {
	var out Annoyance
	var seen []Source
	for _, s := range sources {
		s.Activations = slices.DeleteFunc(slices.Clone(s.Activations), func(a Activation) bool { return a.From < from || a.From >= to })
		if len(s.Activations) == 0 {
			continue
		}
		seen = append(seen, s)
		out.Activations += len(s.Activations)
		switch {
		case s.chatters():
			out.Chattering = append(out.Chattering, s.Name)
		case slices.ContainsFunc(s.Activations, func(a Activation) bool { return a.To != 0 && a.To.Sub(a.From) < FleetingUnder }):
			out.Fleeting = append(out.Fleeting, s.Name)
		}
	}
	slices.SortStableFunc(seen, func(a, b Source) int {
		return cmp.Or(cmp.Compare(len(b.Activations), len(a.Activations)), cmp.Compare(a.Name, b.Name))
	})
	out.Frequent = seen[:min(FrequentTop, len(seen))]
	n := 0
	for _, s := range out.Frequent {
		n += len(s.Activations)
	}
	if out.Activations > 0 {
		out.FrequentShare = float64(n) / float64(out.Activations)
	}
	slices.Sort(out.Chattering)
	slices.Sort(out.Fleeting)
	return out
}

func (s *Source) chatters() bool {
	for i := ChatterTimes - 1; i < len(s.Activations); i++ {
		if s.Activations[i].From.Sub(s.Activations[i-ChatterTimes+1].From) < ChatterWithin {
			return true
		}
	}
	return false
}

// SourcesOf makes sources of the moves of alerts, which must be in the order of
// time: an alert goes into alarm when it is raised or recurs, and out of it when it
// returns.
func SourcesOf(moves []Step) []Source {
	index := map[string]int{}
	var out []Source
	for _, s := range moves {
		switch s.Verb {
		case Raise, Recur, Return:
		default:
			continue
		}
		i, known := index[s.Alert]
		if !known {
			i = len(out)
			index[s.Alert] = i
			out = append(out, Source{Name: s.Alert})
		}
		a := out[i].Activations
		if s.Verb != Return {
			out[i].Activations = append(a, Activation{From: s.At})
		} else if len(a) > 0 && a[len(a)-1].To == 0 {
			a[len(a)-1].To = s.At
		}
	}
	return out
}
