package detect

import (
	"testing"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
)

// What a machine shows on its ordinary days is no evidence; what it never
// showed is.
func TestUsualIsNoEvidence(t *testing.T) {
	var u usual
	for n := range 15 * 24 * 2 {
		var s diagnose.Score
		s[fault.CompressorNotStarting] = float32(n%3) - 1.5 // near the mark every day
		s[fault.DoorLeak] = -8
		u.take(&s, 1.0/15)
	}
	var s diagnose.Score
	s[fault.CompressorNotStarting], s[fault.DoorLeak] = 2, 2
	u.take(&s, 0)
	if s[fault.CompressorNotStarting] > 1 || s[fault.DoorLeak] != 2 {
		t.Errorf("after two days: %.1f of what it always shows, %.1f of what it never did", s[fault.CompressorNotStarting], s[fault.DoorLeak])
	}
}
