package trial

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"coilward/collector"
)

// Setting is one way to set how keen and how patient alerts are.
type Setting struct {
	FalseAlarms float64 // wanted, a machine and year, as in the settings; 0: as it is
	OnDelay     float64 // times the on-delays that are set now

	OnDelays map[string]string // what these come to by urgency, for who wants to set them; nil: as they are
}

// SuggestOptions say what is looked for.
type SuggestOptions struct {
	From, To collector.Millis
	Machines []string // these; nil: all
	Fleet    int      // how many machines there are
	Wanted   float64  // false alarms a machine and year
	Settings []Setting
	Play     Play // of as many runs as there are settings
	Visits   []Visit
}

// Suggestion is the setting that would have met a wanted rate of false alarms with
// the least delay.
type Suggestion struct {
	Wanted       float64
	MachineYears float64
	Found        bool    // one met it; else Best is the one that came nearest
	Best         int     // in Tried
	Tried        []Tried // in the order of the settings

	// Troubles are what any of the settings alerted about, by what became of them.
	BorneOut  int // a visit found something, or product left its limits
	Unfounded int // a visit found nothing, or it went by itself within a day with product inside
	Undecided int // the rest, which count neither way
}

// Tried is how one setting would have done.
type Tried struct {
	Setting
	False    int           // unfounded troubles that it alerted about
	Rate     float64       // the same, a machine and year
	Missed   int           // troubles borne out that it kept silent about
	Delay    time.Duration // mean, behind the keenest of the settings, of those borne out; one missed counts until it was over
	Episodes int
}

// goesByItself is within what time trouble that nobody saw to is taken to have been
// none, if product was kept.
const goesByItself = 24 * time.Hour

// trouble is one stretch of one machine in which any setting alerted.
type trouble struct {
	from, to collector.Millis
	out      bool
	open     bool
	begun    []collector.Millis // by setting; 0: it kept silent
}

// Suggest replays the days with each setting and chooses.
func Suggest(ctx context.Context, o SuggestOptions) (*Suggestion, error) {
	if o.From >= o.To || len(o.Settings) == 0 || !(o.Wanted > 0) {
		return nil, errors.New("trial: a suggestion needs days, settings to choose from, and a wanted rate above 0")
	}
	runs, takes := make([]*recorder, len(o.Settings)), make([]Take, len(o.Settings))
	for i := range runs {
		runs[i] = newRecorder(nil)
		takes[i] = runs[i].follow(o.From, o.To)
	}
	if err := o.Play(ctx, takes); err != nil {
		return nil, err
	}
	var chosen map[string]bool
	machines := o.Fleet
	if o.Machines != nil {
		chosen = map[string]bool{}
		for _, m := range o.Machines {
			chosen[m] = true
		}
		machines = len(chosen)
	}
	all := make([][]*Episode, len(runs))
	for i, r := range runs {
		all[i] = clip(r.within(chosen, o.From, o.To), o.From)
	}
	years := float64(machines) * o.To.Sub(o.From).Hours() / 24 / 365.25
	return choose(o.Wanted, years, o.Settings, all, chosen, o.Visits), nil
}

// choose holds the settings' alerts against what became of the troubles.
func choose(wanted, machineYears float64, settings []Setting, all [][]*Episode, chosen map[string]bool, visits []Visit) *Suggestion {
	s := &Suggestion{Wanted: wanted, MachineYears: machineYears, Tried: make([]Tried, len(settings))}
	for i := range settings {
		s.Tried[i].Setting = settings[i]
		s.Tried[i].Episodes = len(all[i])
	}
	of := troubles(all, chosen)
	for machine, list := range of {
		for _, t := range list {
			switch t.verdict(machine, visits) {
			case borneOut:
				s.BorneOut++
				first := slices.MinFunc(t.begun, func(a, b collector.Millis) int { return cmp.Compare(begunOr(a, t.to), begunOr(b, t.to)) })
				for i, b := range t.begun {
					if b == 0 {
						s.Tried[i].Missed++
					}
					s.Tried[i].Delay += begunOr(b, t.to).Sub(first)
				}
			case unfounded:
				s.Unfounded++
				for i, b := range t.begun {
					if b != 0 {
						s.Tried[i].False++
					}
				}
			default:
				s.Undecided++
			}
		}
	}
	for i := range s.Tried {
		t := &s.Tried[i]
		t.Rate = float64(t.False) / machineYears
		if s.BorneOut > 0 {
			t.Delay /= time.Duration(s.BorneOut)
		}
	}
	for i := range s.Tried {
		if better(&s.Tried[i], &s.Tried[s.Best], wanted) {
			s.Best = i
		}
	}
	s.Found = s.Tried[s.Best].Rate <= wanted
	return s
}

func begunOr(b, end collector.Millis) collector.Millis {
	if b == 0 {
		return end
	}
	return b
}

// better reports whether a is to be preferred: it meets the wanted rate; if both
// do, it misses less, is earlier, or causes fewer; if neither does, it is nearer.
func better(a, b *Tried, wanted float64) bool {
	am, bm := a.Rate <= wanted, b.Rate <= wanted
	switch {
	case am != bm:
		return am
	case !am:
		return cmp.Or(cmp.Compare(a.False, b.False), cmp.Compare(a.Missed, b.Missed), cmp.Compare(a.Delay, b.Delay)) < 0
	}
	return cmp.Or(cmp.Compare(a.Missed, b.Missed), cmp.Compare(a.Delay, b.Delay), cmp.Compare(a.False, b.False)) < 0
}

// troubles joins what the settings alerted about on each machine where it
// overlaps.
func troubles(all [][]*Episode, chosen map[string]bool) map[string][]*trouble {
	type part struct {
		e       *Episode
		setting int
	}
	parts := map[string][]part{}
	for i, episodes := range all {
		for _, e := range episodes {
			for _, m := range e.Machines {
				if chosen == nil || chosen[m] {
					parts[m] = append(parts[m], part{e, i})
				}
			}
		}
	}
	out := map[string][]*trouble{}
	for m, ps := range parts {
		slices.SortStableFunc(ps, func(a, b part) int { return cmp.Compare(a.e.From, b.e.From) })
		var t *trouble
		for _, p := range ps {
			if t == nil || p.e.From > t.to {
				t = &trouble{from: p.e.From, begun: make([]collector.Millis, len(all))}
				out[m] = append(out[m], t)
			}
			t.to = max(t.to, p.e.To)
			t.out, t.open = t.out || p.e.Out, t.open || p.e.Open
			if t.begun[p.setting] == 0 {
				t.begun[p.setting] = p.e.From
			}
		}
	}
	return out
}

type verdict uint8

const (
	undecided verdict = iota
	borneOut
	unfounded
)

// verdict says what became of a trouble.
func (t *trouble) verdict(machine string, visits []Visit) verdict {
	for _, v := range visits {
		if v.Machine == machine && v.At >= t.from && v.At <= t.to.Add(visitReach) {
			if v.Found {
				return borneOut
			}
			return unfounded
		}
	}
	switch {
	case t.out:
		return borneOut
	case !t.open && t.to.Sub(t.from) <= goesByItself:
		return unfounded
	}
	return undecided
}
