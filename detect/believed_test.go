package detect

import (
	"testing"

	"coilward/collector/fleet"
	"coilward/detect/channel"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// Nothing is raised of which nothing abnormal is seen, however sure the models are: a
// sum of many small things is what a tech cannot check, and mostly wrong. It is raised
// as soon as one of them stands apart.
func TestNothingIsRaisedWithoutEvidence(t *testing.T) {
	spec := &fleet.Machine{ID: "cab-1", Site: "site-1", Product: fleet.SealedBeverage, Limits: fleet.SealedBeverage.Limits()}
	m := NewMachine(spec, NewLibrary())
	var q [diagnose.NumStates]float64
	q[fault.CoilIced], q[fault.Well] = 0.99, 0.01
	look := func(z float32, n int) (fs []Finding) {
		var v feature.Vector
		for _, id := range [...]feature.ID{feature.AirHigh, feature.AirMean} {
			v.Has[id], v.Value[id] = true, z
		}
		for range n {
			m.s.LookedAt += lookEvery
			m.s.Now = m.s.LookedAt
			m.judge(&q, 0.01, &v, m.s.LookedAt, func(f *Finding) { fs = append(fs, *f) })
		}
		return fs
	}
	if fs := look(0.4, 60); len(fs) > 0 {
		t.Fatalf("%v %v said of what is within its normal: %v", fs[0].Change, fs[0].Fault, fs[0].Evidence)
	}
	// What is known of a probe that was set aside is no evidence of the machine's.
	m.s.Open[slotProbe], m.s.SensorSaid.Sort = open{Is: true, Fault: fault.SensorFault}, channel.Stuck
	if fs := look(0.4, 1); len(fs) > 0 {
		t.Fatalf("%v said beside a broken probe, of what is within its normal", fs[0].Fault)
	}
	m.s.Open[slotProbe], m.s.SensorSaid.Sort = open{}, channel.None
	fs := look(2.5, 1)
	if len(fs) != 1 || fs[0].Change != Raised || fs[0].Fault != fault.CoilIced || fs[0].ID != "F-cab-1-1" {
		t.Fatalf("said %+v", fs)
	}
	if len(fs[0].Evidence) == 0 {
		t.Error("without evidence")
	}
	if m.s.Suspicion != 0 {
		t.Errorf("suspicion %v after it was raised", m.s.Suspicion)
	}
}
