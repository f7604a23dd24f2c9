package assess

import (
	"cmp"
	"math"
	"slices"

	"coilward/detect"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

const (
	hour  = 3600.0
	slack = 300.0 // s about an episode that still count as in it: clocks, sampling

	// A fault may be seen a little before its first measurable effect by the
	// truth's own measure.
	effectSlack = hour
	// A later name may be seen a little before the truth calls it right.
	secondarySlack = hour / 2
)

// episode is one fault of one machine and what was said of it.
type episode struct {
	*truth.Episode
	machine *truth.Machine
	end     float64

	raised []raising // that noticed it, in order of time; one a finding
	urgent bool      // one was of medium priority or higher
	named  *float64  // when it first bore a right name

	atRaise, later verdict // at the first raise, and 6 h after
	clearedInTime  bool
	clearedEarly   int
}

// raising is a finding that noticed an episode, and when.
type raising struct {
	word  *Word
	story story
}

// verdict is whether the first name, and one of the first two, was right: among
// what the channels can tell, or to the letter.
type verdict struct{ first, two, firstStrict, twoStrict bool }

// right reports whether f is a right name at t.
func (e *episode) right(f fault.Fault, t float64) bool {
	if f == e.Fault || slices.Contains(e.Aliases, f) {
		return true
	}
	for _, s := range e.Secondary {
		if s.Fault == f && t >= s.From-secondarySlack {
			return true
		}
	}
	return false
}

func (e *episode) during(t float64) bool { return e.Onset-slack <= t && t <= e.end+slack }

// credit reports whether a finding of f at t notices the episode.
func (e *episode) credit(f fault.Fault, t float64) bool {
	if !e.during(t) {
		return false
	}
	if e.right(f, t) {
		return true
	}
	if e.Material == nil || t < math.Max(e.Onset-slack, *e.Material-effectSlack) {
		return false
	}
	switch e.Fault {
	case fault.Silent:
		return f == fault.PowerLost
	case fault.SensorFault:
		return e.Channel == "cabinet_air" && f != fault.Silent && f != fault.PowerLost
	case fault.PowerLost:
		return f != fault.Silent && f != fault.SensorFault
	}
	return f != fault.Silent && f != fault.PowerLost && f != fault.SensorFault
}

func (e *episode) judge(w *Word, t float64) (v verdict) {
	names := w.leading()
	v.first, v.firstStrict = e.right(w.Fault, t), w.Fault == e.Fault
	for _, f := range names {
		v.two = v.two || e.right(f, t)
		v.twoStrict = v.twoStrict || f == e.Fault
	}
	return v
}

// follow finds what was said of the episode among the machine's stories; others
// are the machine's other episodes.
func (e *episode) follow(stories []story, others []*episode) {
	mine := func(w *Word) bool {
		if !e.credit(w.Fault, w.At) {
			return false
		}
		if e.right(w.Fault, w.At) {
			return true
		}
		for _, o := range others {
			if o != e && o.during(w.At) && o.right(w.Fault, w.At) {
				return false
			}
		}
		return true
	}
	for _, h := range stories {
		taken := false
		for i := range h {
			w := &h[i]
			if w.Change == detect.Cleared || !e.during(w.At) {
				continue
			}
			right := e.right(w.Fault, w.At)
			if !taken && ((w.Change == detect.Raised && mine(w)) || (w.Change == detect.Revised && right)) {
				e.raised = append(e.raised, raising{w, h})
				taken = true
			}
			if right && (e.named == nil || w.At < *e.named) {
				e.named = &w.At
			}
		}
	}
	slices.SortStableFunc(e.raised, func(a, b raising) int {
		return cmp.Or(cmp.Compare(a.word.At, b.word.At), cmp.Compare(a.word.Finding, b.word.Finding))
	})
	if len(e.raised) > 0 {
		e.weigh()
	}
}

// weigh judges the names, and how it ended.
func (e *episode) weigh() {
	first := e.raised[0]
	e.atRaise = e.judge(first.word, first.word.At)
	later := math.Min(first.word.At+6*hour, math.Max(e.end-1, first.word.At))
	w := first.story.at(later)
	if w == nil || w.Change == detect.Cleared {
		w = nil
		for i := len(e.raised) - 1; i >= 0; i-- {
			if x := e.raised[i].story.at(later); x != nil && x.Change != detect.Cleared {
				w = x
				break
			}
		}
	}
	if w != nil {
		e.later = e.judge(w, later)
	}
	e.clearedInTime = e.Ended != nil
	for _, r := range e.raised {
		e.urgent = e.urgent || r.word.Urgent
		last := &r.story[len(r.story)-1]
		if last.Change != detect.Cleared || last.At > e.end+6*hour {
			e.clearedInTime = false
		}
		if last.Change == detect.Cleared && last.At < e.end-slack {
			e.clearedEarly++
		}
	}
}

// raisedAt returns when it was first noticed; ok is false if it never was.
func (e *episode) raisedAt() (t float64, ok bool) {
	if len(e.raised) == 0 {
		return 0, false
	}
	return e.raised[0].word.At, true
}

// inTime reports whether it was noticed before the product left its limit.
func (e *episode) inTime() bool {
	t, ok := e.raisedAt()
	return ok && e.Limit != nil && t < *e.Limit
}
