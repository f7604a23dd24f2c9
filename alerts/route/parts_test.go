package route

import (
	"slices"
	"strings"
	"testing"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

func TestPartsLessWhatIsInTheVan(t *testing.T) {
	jobs := []Job{{Fault: fault.EvaporatorFanStopped, Kind: fleet.GlassDoor}, {Fault: fault.EvaporatorFanStopped}}
	load := DefaultParts().Load(jobs, map[string]int{"evaporator fan motor": 1, "fan blade": 5})
	want := []Item{{"door fan switch", 1}, {"evaporator fan motor", 1}, {"wire connectors", 2}}
	if !slices.Equal(load.Parts, want) {
		t.Errorf("load %v, want %v", load.Parts, want)
	}
	if !slices.Equal(load.Check, []Item{{"evaporator fan motor", 1}, {"fan blade", 2}}) {
		t.Errorf("check %v", load.Check)
	}
	for f := fault.EvaporatorFanStopped; int(f) < fault.Num; f++ {
		if DefaultParts().faults[f].service == 0 {
			t.Errorf("the default table has no row for %v", f)
		}
	}
	_, err := ParseParts("parts.yaml", []byte("faults:\n  coil-iced: {service: soon}\n  fan: {}\n"))
	if err == nil || !strings.Contains(err.Error(), "coil-iced.service") || !strings.Contains(err.Error(), `"fan"`) {
		t.Errorf("got %v", err)
	}
	if _, err := ParseParts("parts.yaml", []byte("faults:\n  coil-iced: {colour: red}\n")); err == nil || !strings.Contains(err.Error(), "[2:") {
		t.Errorf("unknown key without its line: %v", err)
	}
}
