package fault_test

import (
	"encoding/json"
	"slices"
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

// Frost follows moist or still air, a hot condenser trips the overload, and a
// machine without power cannot say anything else: the directions of the trade's
// fault table. Nothing leads to itself, and no two lead to each other, or neither
// could be told as the cause.
func TestTurnsIntoHasADirection(t *testing.T) {
	for f := range fault.Fault(fault.Num) {
		for g := range fault.Fault(fault.Num) {
			if f.TurnsInto(g) && (f == g || g.TurnsInto(f)) {
				t.Errorf("%v and %v lead to each other", f, g)
			}
		}
		if f == fault.Well || f == fault.Silent || f == fault.SensorFault {
			for g := range fault.Fault(fault.Num) {
				if f.TurnsInto(g) {
					t.Errorf("%v leads to %v", f, g)
				}
			}
		}
	}
	for _, c := range []struct{ cause, effect fault.Fault }{
		{fault.EvaporatorFanStopped, fault.CoilIced}, {fault.DoorLeak, fault.CoilIced}, {fault.CondenserBlocked, fault.CompressorNotStarting},
		{fault.PowerLost, fault.Silent}, {fault.CoilIced, fault.Unknown},
	} {
		if !c.cause.TurnsInto(c.effect) {
			t.Errorf("%v does not lead to %v", c.cause, c.effect)
		}
	}
	if fault.CompressorWeak.TurnsInto(fault.DoorLeak) {
		t.Error("a weak compressor makes a gasket leak")
	}
}

func TestEveryFaultHasWords(t *testing.T) {
	for f := range fault.Fault(fault.Num) {
		if f.Title() == "" || (f.Meaning() == "") != (f == fault.Well) {
			t.Errorf("%v: title %q, meaning %q", f, f.Title(), f.Meaning())
		}
	}
	if !fault.CompressorWeak.Mechanic() || !fault.RefrigerantLow.Mechanic() || fault.DoorOpen.Mechanic() {
		t.Error("the sealed system is a mechanic's, a door is not")
	}
}

// TestCautions: what may hurt is said before anybody opens a machine, the plug
// first and local codes last. Sources: 29 CFR 1910.147(a)(2)(iii)(A), EPA Section
// 608, IEC 60335-2-89, FDA Food Code 3-501; the rest common practice.
func TestCautions(t *testing.T) {
	has := func(cs []fault.Caution, c fault.Caution) bool { return slices.Contains(cs, c) }
	for f := range fault.Fault(fault.Num) {
		for _, r := range []string{"", "R-134a", "R-290", "R600a"} {
			cs := fault.Cautions(r, true, f)
			if cs[0] != fault.KeepThePlug || cs[len(cs)-1] != fault.LocalCodesFirst || !has(cs, fault.TimeRule) {
				t.Errorf("%v, %q: %v", f, r, cs)
			}
			if burns := r == "R-290" || r == "R600a"; has(cs, fault.Flammable) != burns || has(cs, fault.ReadThePlate) != (r == "") {
				t.Errorf("%v, %q: %v", f, r, cs)
			}
			for _, c := range cs {
				if c.Text(r) == "" || c.Name() == "" {
					t.Errorf("caution %d has no words", c)
				}
			}
		}
	}
	if cs := fault.Cautions("R-134a", false, fault.DoorOpen, fault.CompressorNotStarting); !has(cs, fault.Capacitors) || !has(cs, fault.HotParts) || has(cs, fault.TimeRule) {
		t.Errorf("a second cause's cautions: %v", cs)
	}
	if cs := fault.Cautions("R-134a", false, fault.RefrigerantLow); !has(cs, fault.SealedSystem) {
		t.Errorf("a sealed system: %v", cs)
	}
	if cs := fault.Cautions("R-134a", false, fault.PowerLost); !has(cs, fault.GroundedCord) || !has(cs, fault.BreakerTripped) {
		t.Errorf("no supply: %v", cs)
	}
}
