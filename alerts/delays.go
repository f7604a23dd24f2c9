package alerts

import (
	"math"
	"time"

	"coilward/collector"
)

// Delays keep a queue from chattering.
type Delays struct {
	On       [NumPriorities]time.Duration // a finding lasts this long before a person is told
	OnShared time.Duration                // at least, for what may turn out to be one cause for a site
	Off      time.Duration                // a finding stays cleared this long before the alert returns; doubled each time it comes back within a day
	OffMax   time.Duration
	Reassess time.Duration // how often priorities are weighed again
	Revise   time.Duration // revisions for a moved limit keep this distance
	Watch    time.Duration // after a repair the models are waited for this long at most
}

// DefaultDelays. ISA-18.2 advises on- and off-delays by process variable: for
// temperatures about a minute; a cabinet's product takes a thousand times as long
// as a pipe's flow, and findings come out of tests that have waited already.
func DefaultDelays() Delays {
	return Delays{
		On:       [NumPriorities]time.Duration{Low: 30 * time.Minute, Medium: 10 * time.Minute, High: 2 * time.Minute, Critical: 0},
		OnShared: 5 * time.Minute, Off: 15 * time.Minute, OffMax: 12 * time.Hour,
		Reassess: 5 * time.Minute, Revise: 30 * time.Minute, Watch: 8 * time.Hour,
	}
}

// flap counts how often one machine raised one kind of trouble of late.
type flap struct {
	Count int
	At    collector.Millis
}

// flapped counts a raise and returns how many there were in the day before. What
// a machine says and whether it is heard are counted apart; a fault that comes
// back under another name is the same machine flapping.
func (q *Queue) flapped(in *incident) int {
	key := in.Machine
	if shared(in.lead().Fault) {
		key += " unheard"
	}
	k := q.flaps[key]
	if q.now.Sub(k.At) > 24*time.Hour {
		k.Count = 0
	}
	q.flaps[key] = flap{Count: k.Count + 1, At: q.now}
	return k.Count
}

// likelyStays is how long a silence must have lasted to be more likely one that
// stays than one that passes by itself; see [persists].
func (r *Rules) likelyStays() time.Duration {
	if r.SilenceStays <= 0 || r.SilenceStays >= 0.5 {
		return 0
	}
	return time.Duration(float64(r.MeanHiccup) * math.Log((1-r.SilenceStays)/r.SilenceStays))
}

func (q *Queue) groupOnAt(g *group) collector.Millis {
	return g.FormedAt.Add(max(q.o.Delays.On[g.Priority], q.o.Delays.OnShared))
}
