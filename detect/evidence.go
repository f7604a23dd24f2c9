package detect

import (
	"sort"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// evidence picks the observations that moved the leading cause most. It reports
// whether one of them is such that a person would call it abnormal.
func (m *Machine) evidence(o *open, v *feature.Vector) (stands bool) {
	type part struct {
		id feature.ID
		w  float64
	}
	var parts []part
	var says [feature.NumFeatures]diagnose.Score
	m.lib.table.Parts(v, &says)
	for i := range v.Has {
		if !v.Has[i] {
			continue
		}
		p := &says[i]
		parts = append(parts, part{feature.ID(i), float64(p[o.Fault] - p[fault.Well])})
	}
	sort.Slice(parts, func(i, j int) bool {
		if parts[i].w != parts[j].w {
			return parts[i].w > parts[j].w
		}
		return parts[i].id < parts[j].id
	})
	o.NumEvidence = 0
	var told [feature.NumFeatures]bool
	// Where nothing stands apart, what moved the cause most is told all the same.
	for _, remarkable := range [...]bool{true, false} {
		for _, p := range parts {
			if p.w < 0.2 || int(o.NumEvidence) == len(o.Evidence) || !remarkable && o.NumEvidence > 0 {
				break
			}
			n, ok := m.s.Track.Note(p.id, v)
			if !ok || told[n.ID.Topic()] || remarkable && !p.id.Remarkable(v) {
				continue
			}
			told[n.ID.Topic()] = true
			stands = stands || remarkable
			n.Weight = float32(p.w)
			o.Evidence[o.NumEvidence] = n
			o.NumEvidence++
		}
	}
	m.ruleOut(o, v, &says)
	return stands
}

// ruleOut finds, for the two causes behind the leading one, what spoke most
// against them.
func (m *Machine) ruleOut(o *open, v *feature.Vector, says *[feature.NumFeatures]diagnose.Score) {
	o.NumRuledOut = 0
	for f := fault.EvaporatorFanStopped; f < fault.SensorFault && int(o.NumRuledOut) < len(o.RuledOut); f++ {
		if f == o.Fault || !m.alike(o.Fault, f) {
			continue
		}
		best, found := feature.Note{}, false
		for i := range v.Has {
			if !v.Has[i] {
				continue
			}
			p := &says[i]
			w := p[f] - p[o.Fault]
			if w > -1 || found && w >= best.Weight {
				continue
			}
			if n, ok := m.s.Track.Note(feature.ID(i), v); ok {
				n.Weight = w
				best, found = n, true
			}
		}
		if found {
			o.RuledOut[o.NumRuledOut] = against{f, best}
			o.NumRuledOut++
		}
	}
}

// alike reports whether a tech would ask about g when told f: the causes that
// look alike from outside.
func (m *Machine) alike(f, g fault.Fault) bool { return f.Alike()&(1<<g) != 0 }
