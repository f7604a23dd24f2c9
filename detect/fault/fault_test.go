package fault_test

import (
	"encoding/json"
	"strings"
	"testing"

	"coilward/detect/fault"
)

// Names are stored and sent: each is there once and reads back as itself.
func TestNamesReadBack(t *testing.T) {
	seen := map[string]bool{}
	for f := range fault.Fault(fault.Num) {
		b, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var g fault.Fault = 255
		if err := json.Unmarshal(b, &g); err != nil || g != f {
			t.Errorf("%s read back as %v, %v", b, g, err)
		}
		name := f.String()
		if seen[name] || name != strings.ToLower(name) || strings.ContainsAny(name, " _") || `"`+name+`"` != string(b) {
			t.Errorf("fault %d is named %q, written %s", f, name, b)
		}
		seen[name] = true
	}
}

// What is stored by number must not be renumbered.
func TestNumbersAreStable(t *testing.T) {
	for f, n := range map[fault.Fault]int{fault.Well: 0, fault.EvaporatorFanStopped: 1, fault.CoilIced: 2, fault.CondenserFanStopped: 3,
		fault.CondenserBlocked: 4, fault.CompressorNotStarting: 5, fault.CompressorWeak: 6, fault.RefrigerantLow: 7, fault.ThermostatStuckOn: 8,
		fault.ThermostatStuckOff: 9, fault.DoorOpen: 10, fault.DoorLeak: 11, fault.PowerLost: 12, fault.SensorFault: 13, fault.Silent: 14, fault.Unknown: 15} {
		if int(f) != n {
			t.Errorf("%v has the number %d, not %d", f, f, n)
		}
	}
}

func TestUnknownNameIsRefused(t *testing.T) {
	f := fault.CoilIced
	for _, name := range []string{"", "coil iced", "Coil-Iced", "gremlins"} {
		if err := f.UnmarshalText([]byte(name)); err == nil || !strings.Contains(err.Error(), name) || f != fault.CoilIced {
			t.Errorf("%q: %v, fault now %v", name, err, f)
		}
	}
}

// If this looks like that, that looks like this; nothing looks like itself.
func TestAlikeIsMutual(t *testing.T) {
	for f := range fault.Fault(fault.Num) {
		for g := range fault.Fault(fault.Num) {
			a, b := f.Alike()&(1<<g) != 0, g.Alike()&(1<<f) != 0
			if a != b {
				t.Errorf("%v and %v: %v, %v", f, g, a, b)
			}
			if a && f == g {
				t.Errorf("%v looks like itself", f)
			}
		}
		if is := f >= fault.EvaporatorFanStopped && f <= fault.SensorFault; is != (f.Alike() != 0) {
			t.Errorf("%v looks like %b", f, f.Alike())
		}
	}
	if fault.CondenserBlocked.Alike()&(1<<fault.CondenserFanStopped) == 0 {
		t.Error("a blocked condenser and a stopped condenser fan look alike")
	}
}
