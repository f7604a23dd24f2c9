package learn

import (
	"math"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

// Label says what a machine truly was at one instant.
type Label struct {
	State  diagnose.State
	Weight float64 // how much it is to count; 0: not to be learned from
	// Episode is the index of the fault in the machine's truth; -1 outside one.
	Episode int
}

// How long ordinary life and the ends of faults are felt, s. Common practice,
// no source: a restocked cooler pulls its load down over an afternoon.
const (
	hour            = 3600.0
	restockFelt     = 5 * hour
	turnSeenAfter   = 1 * hour // a moved setpoint shows in the next cycles
	turnFelt        = 24 * hour
	cleaningFelt    = 3 * hour // after it is plugged in again
	mildFelt        = 6 * hour // after a fault without measurable effect
	repairFelt      = 8 * hour
	repairPullFrom  = hour / 2
	repairPullUntil = 5 * hour
	burstSeenAfter  = 240.0 // after an intermittent fault came back
)

// Weights of the hours of a fault after its first effect: what counts is to know
// it early.
const (
	earlyUntil, earlyWeight = 8 * hour, 3.0
	nextUntil, nextWeight   = 24 * hour, 1.0
	lateWeight              = 0.3
	pullDownWeight          = 0.3
)

// LabelAt says what machine m truly was at t, s since the fleet's start; end is
// the length of the recording. Later rules override earlier ones: ordinary life
// counts though it drove the air out of its limits, a fault hides ordinary life.
func LabelAt(m *truth.Machine, t, end float64) Label {
	l := Label{State: diagnose.State(fault.Well), Weight: 1, Episode: -1}
	for i := range m.DontCare {
		if d := &m.DontCare[i]; d.All && d.From <= t && t <= d.To {
			l.Weight = 0
		}
	}
	within := func(from, to float64) bool { return from <= t && t <= to }
	for _, e := range m.Life.Restocks {
		if within(e.At, e.At+restockFelt) {
			l.State, l.Weight = diagnose.WarmLoad, 1
		}
	}
	for _, e := range m.Life.Turns {
		if within(e.At+turnSeenAfter, e.At+turnFelt) {
			l.State, l.Weight = diagnose.Resettled, 1
		}
	}
	for _, e := range m.Life.Cleanings {
		if within(e.At, e.At+e.For*60+cleaningFelt) {
			l.State, l.Weight = diagnose.Unplugged, 1
		}
	}
	for i := range m.Episodes {
		labelEpisode(&l, &m.Episodes[i], i, t, end)
	}
	return l
}

func labelEpisode(l *Label, e *truth.Episode, index int, t, end float64) {
	if e.Fault > fault.SensorFault { // silence is no state of the machine
		return
	}
	over := e.End(end)
	if e.Material == nil {
		if e.Onset <= t && t <= over+mildFelt {
			l.Weight = 0
		}
		return
	}
	seen := math.Max(*e.Material, e.Onset)
	switch {
	case t < e.Onset || t > over+repairFelt:
	case t <= over && t >= seen:
		l.State, l.Episode = diagnose.State(e.Fault), index
		switch age := t - seen; {
		case age < earlyUntil:
			l.Weight = earlyWeight
		case age < nextUntil:
			l.Weight = nextWeight
		default:
			l.Weight = lateWeight
		}
		if len(e.Intervals) > 0 && !there(e.Intervals, t) {
			l.State, l.Weight, l.Episode = diagnose.State(fault.Well), 0, -1
		}
	case t < over: // before it can be seen
		l.Weight = 0
	case t >= over+repairPullFrom && t <= over+repairPullUntil:
		l.State, l.Weight, l.Episode = diagnose.WarmLoad, pullDownWeight, -1
	default:
		l.Weight = 0
	}
}

// there reports whether an intermittent fault can be seen at t.
func there(intervals []truth.Span, t float64) bool {
	for _, s := range intervals {
		if s.From+burstSeenAfter <= t && t <= s.To {
			return true
		}
	}
	return false
}
