package intake

import (
	"github.com/rs/zerolog"

	"coilward/collector"
)

// mostRefusals bounds what is remembered of an hour's refusals.
const mostRefusals = 10_000

// refusalLog logs the first refusal of each kind, machine and hour. When there
// are too many in an hour, as when somebody plays with topics, it says so once
// and leaves the rest to the counters.
type refusalLog struct {
	log  zerolog.Logger
	hour int64
	said map[refusalKind]struct{}
	full bool
}

type refusalKind struct {
	machine string
	reason  collector.Reason
}

// first reports whether this is to be logged.
func (l *refusalLog) first(machine string, why collector.Reason, received collector.Millis) bool {
	if hour := int64(received) / 3_600_000; hour != l.hour || l.said == nil {
		l.hour, l.full, l.said = hour, false, make(map[refusalKind]struct{})
	}
	k := refusalKind{machine, why}
	if _, ok := l.said[k]; ok {
		return false
	}
	if len(l.said) >= mostRefusals {
		if !l.full {
			l.full = true
			l.log.Warn().Int("kinds", mostRefusals).Msg("too many different refusals; the rest of this hour's are counted only")
		}
		return false
	}
	l.said[k] = struct{}{}
	return true
}

// decode logs what the decoder refused.
func (l *refusalLog) decode(from address, received collector.Millis, r *Refusal) {
	if l.first(from.machine, r.Reason, received) {
		l.log.Warn().Str("machine", from.machine).Str("site", from.site).Stringer("reason", r.Reason).
			Str("channel", r.Channel).Str("error", r.Error()).Msg(verb(r.Reason))
	}
}

// admit logs what admission refused.
func (l *refusalLog) admit(r *collector.Reading, why collector.Reason) {
	if l.first(r.Machine, why, r.Received) {
		l.log.Warn().Str("machine", r.Machine).Str("site", r.Site).Stringer("reason", why).
			Time("event_time", r.At.Time()).Time("received", r.Received.Time()).Msg(verb(why))
	}
}

func verb(why collector.Reason) string {
	if why.Repaired() {
		return "repaired on the way in"
	}
	return "refused"
}
