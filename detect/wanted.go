package detect

import (
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/sensitivity"
)

// Fingerprint names the table of causes.
func (l *Library) Fingerprint() string { return l.table.Fingerprint() }

// Trade is what a rate of false alarms costs in delay.
func (l *Library) Trade() *sensitivity.Trade { return l.trade }

// RaiseAtOf returns the probability of trouble at which a finding about the
// machine is raised: what its wanted rate of false alarms was measured to need,
// or the library's own.
func (l *Library) RaiseAtOf(spec *fleet.Machine) float64 {
	if wanted := spec.Alerting.FalseAlarms; wanted != nil {
		return l.trade.RaiseAt(*wanted)
	}
	return l.RaiseAt
}

// stillOut reports whether product that was said to be out of its limits is not
// yet back by the machine's deadband, where it has one.
func (m *Machine) stillOut(product float64) (warm, cold bool) {
	band := m.spec.Alerting.Deadband
	if band == nil || !m.s.Open[slotMachine].Is || m.s.OutSince == 0 {
		return false, false
	}
	return product > float64(m.spec.Limits.Warm)-float64(*band), product < float64(m.spec.Limits.Cold)+float64(*band)
}

// PullDown is how long warm stock may take to be cooled down where nobody said.
const PullDown = outPullingDown * time.Millisecond

// pullDownTakes is how long warm stock may take to be cooled down.
func (m *Machine) pullDownTakes() collector.Millis {
	if d := m.spec.Alerting.RestockDelay; d != nil {
		return collector.Millis(d.Milliseconds())
	}
	return outPullingDown
}
