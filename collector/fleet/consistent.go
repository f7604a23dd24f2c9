package fleet

import (
	"fmt"
	"time"
)

// consistent holds the resolved values against each other. A problem is told
// at the line that set the value nearest to the machine.
func (r *reader) consistent(m *Machine, what string, lines [NumFields]int, line int) {
	from := func(f Field) string {
		if o := m.Origin(f); o.Level != BuiltIn && o.Level != OwnValue {
			return fmt.Sprintf(" (from %s)", o)
		}
		return ""
	}
	contradict := func(fs []Field, format string, args ...any) {
		nearest, best := line, origin{}
		for _, f := range fs {
			o := m.origins[f]
			if lines[f] != 0 && (o.level > best.level || o.level == best.level && o.stored && !best.stored) {
				nearest, best = lines[f], o
			}
		}
		r.problems = append(r.problems, Problem{File: r.file, Line: nearest, Text: what + ": " + fmt.Sprintf(format, args...), Fields: fs, Machine: m.ID})
	}
	alertingConsistent(m, contradict, from)
	if m.Limits.Cold >= m.Limits.Warm {
		contradict([]Field{FieldColdLimit, FieldWarmLimit}, "cold limit %g °C%s is not below the warm limit %g °C%s; lower one or raise the other",
			m.Limits.Cold, from(FieldColdLimit), m.Limits.Warm, from(FieldWarmLimit))
		return
	}
	if d := m.Alerting.Deadband; d != nil && 2**d >= m.Limits.Warm.Sub(m.Limits.Cold) {
		contradict([]Field{FieldDeadband, FieldWarmLimit, FieldColdLimit}, "deadband %g K%s leaves nothing between the limits %g and %g °C: product would never count as back; lower it",
			*d, from(FieldDeadband), m.Limits.Cold, m.Limits.Warm)
	}
	if m.Setpoint == nil {
		return
	}
	switch t := *m.Setpoint; {
	case t < m.Limits.Cold:
		contradict([]Field{FieldSetpoint, FieldColdLimit, FieldProduct}, "setpoint %g °C%s is below the cold limit %g °C of %s%s; raise setpoint or change product",
			t, from(FieldSetpoint), m.Limits.Cold, m.Product, from(FieldColdLimit))
	case t > m.Limits.Warm:
		contradict([]Field{FieldSetpoint, FieldWarmLimit, FieldProduct}, "setpoint %g °C%s is above the warm limit %g °C of %s%s; lower setpoint or change product",
			t, from(FieldSetpoint), m.Limits.Warm, m.Product, from(FieldWarmLimit))
	}
}

// alertingConsistent holds what is set of alerting against itself.
func alertingConsistent(m *Machine, contradict func(fs []Field, format string, args ...any), from func(Field) string) {
	a := &m.Alerting
	if a.AtLeast != nil && a.AtMost != nil && *a.AtLeast > *a.AtMost {
		contradict([]Field{FieldAtLeast, FieldAtMost}, "priority at_least %s%s is above at_most %s%s; change one",
			*a.AtLeast, from(FieldAtLeast), *a.AtMost, from(FieldAtMost))
	}
	var before *time.Duration
	var weaker Field
	for u, d := range a.OnDelay {
		f := FieldOnDelay + Field(u)
		if d == nil {
			continue
		}
		if before != nil && *d > *before {
			contradict([]Field{f, weaker}, "the on-delay of %s, %s%s, is longer than that of %s, %s%s; what is more urgent cannot wait longer",
				Urgency(u), Delay(*d), from(f), Urgency(weaker-FieldOnDelay), Delay(*before), from(weaker))
			return
		}
		before, weaker = d, f
	}
}
