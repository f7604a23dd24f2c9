package detect

import (
	"testing"

	"coilward/detect/fault"
)

// What rules a fault out can be told from other evidence, and taken apart again.
func TestAgainst(t *testing.T) {
	e := Evidence{Text: "coil outlet 20 K below the air: as ever", Weight: -2}
	if f, why, ok := e.against(fault.CompressorWeak).Against(); !ok || f != fault.CompressorWeak || why != e.Text {
		t.Errorf("%v, %q, %v", f, why, ok)
	}
	if got := e.against(fault.CompressorWeak).Text; got != "not compressor-weak: coil outlet 20 K below the air: as ever" {
		t.Errorf("%q", got)
	}
	for _, text := range []string{"", "the air is warm", "not a-thing: something", "not compressor-weak", "compressor-weak: something", "nothing: something"} {
		if f, why, ok := (Evidence{Text: text}).Against(); ok {
			t.Errorf("%q rules out %v by %q", text, f, why)
		}
	}
}
