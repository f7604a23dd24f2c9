package detect

import (
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
)

// A cause is disproved by what speaks for ordinary life of any sort and against it,
// not by what says nothing of either; what has no name needs no disproof.
func TestDisproved(t *testing.T) {
	for _, c := range []struct {
		name             string
		fault            fault.Fault
		well, warm, iced float32 // nats
		want             bool
	}{
		{"nothing is seen", fault.CoilIced, 0, 0, 0, false},
		{"hardly anything is seen", fault.CoilIced, 1, 0, 0, false},
		{"it looks well", fault.CoilIced, 2.5, 0, 0, true},
		{"it looks like a warm load", fault.CoilIced, 0, 2.5, 0, true},
		{"it looks well, and iced too", fault.CoilIced, 4, 0, 3, false},
		{"it looks neither well nor iced", fault.CoilIced, -1, -2, -4, true},
		{"no cause was named", fault.Unknown, 0, 0, 0, true},
	} {
		var m Machine
		m.score[fault.Well], m.score[diagnose.WarmLoad], m.score[fault.CoilIced] = c.well, c.warm, c.iced
		m.score[diagnose.Unplugged], m.score[diagnose.Resettled] = -9, -9
		if got := m.disproved(&open{Fault: c.fault}); got != c.want {
			t.Errorf("%s: disproved %v", c.name, got)
		}
	}
}
