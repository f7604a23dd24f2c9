package detect_test

import (
	"fmt"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/channel"
	"coilward/detect/fault"
)

// spoilt lets the sensors of a well machine break and returns what is said of it
// within a day and a half.
func spoilt(seed uint64, spoil func(minute int, r *collector.Reading)) (first *detect.Finding, last detect.Finding) {
	c, m := newCabinet(seed), newMachine()
	play(m, c.live(3*day))
	rs := c.live(36 * hour)
	for i := range rs {
		spoil(i, &rs[i])
	}
	fs := play(m, rs)
	for i := range fs {
		if fs[i].Change != detect.Cleared {
			if first == nil {
				first = &fs[i]
			}
			last = fs[i]
		}
	}
	return first, last
}

// A broken sensor is a sensor fault, of its sort, and never a fault of the
// machine.
func TestSensorFaultsAreSorted(t *testing.T) {
	const air, out, cond, amb, supply = collector.CabinetAir, collector.CoilOut, collector.Condenser, collector.Ambient, collector.SupplyAir
	refuse := func(r *collector.Reading, c collector.Channel, x float64) {
		r.Has &^= 1 << c
		r.Extra = append(r.Extra, collector.Extra{Name: c.String(), Unit: "Cel", Value: x})
	}
	for _, c := range []struct {
		name  string
		want  channel.Sort
		of    collector.Channel
		spoil func(minute int, r *collector.Reading)
	}{
		{"air stuck", channel.Stuck, air, func(_ int, r *collector.Reading) { r.Value[air] = 3.4 }},
		{"coil stuck", channel.Stuck, out, func(_ int, r *collector.Reading) { r.Value[out] = -2.2 }},
		{"air open, out of range", channel.Open, air, func(_ int, r *collector.Reading) { refuse(r, air, -127) }},
		{"air open, -48.5", channel.Open, air, func(_ int, r *collector.Reading) { r.Value[air] = -48.5 }},
		{"coil open, -48.5", channel.Open, out, func(_ int, r *collector.Reading) { r.Value[out] = -48.5 }},
		{"air short, 85", channel.Short, air, func(_ int, r *collector.Reading) { r.Value[air] = 85 }},
		{"air short, 150", channel.Short, air, func(_ int, r *collector.Reading) { refuse(r, air, 150) }},
		{"air and condenser swapped", channel.Swapped, air, func(_ int, r *collector.Reading) { r.Value[air], r.Value[cond] = r.Value[cond], r.Value[air] }},
		{"supply and room swapped", channel.Swapped, supply, func(_ int, r *collector.Reading) { r.Value[supply], r.Value[amb] = r.Value[amb], r.Value[supply] }},
		{"air in Fahrenheit", channel.Fahrenheit, air, func(_ int, r *collector.Reading) { r.Value[air] = r.Value[air]*1.8 + 32 }},
		{"coil in Fahrenheit", channel.Fahrenheit, out, func(_ int, r *collector.Reading) { r.Value[out] = r.Value[out]*1.8 + 32 }},
		{"room in Fahrenheit", channel.Fahrenheit, amb, func(_ int, r *collector.Reading) { refuse(r, amb, r.Value[amb]*1.8+32) }},
		{"air drifting up", channel.Drifting, air, func(m int, r *collector.Reading) { r.Value[air] += min(float64(m)/240, 5) }},
		{"air drifting down", channel.Drifting, air, func(m int, r *collector.Reading) { r.Value[air] -= min(float64(m)/240, 5) }},
		{"coil drifting", channel.Drifting, out, func(m int, r *collector.Reading) { r.Value[out] += min(float64(m)/240, 6) }},
		{"supply drifting", channel.Drifting, supply, func(m int, r *collector.Reading) { r.Value[supply] += min(float64(m)/240, 6) }},
		{"room erratic", channel.Erratic, amb, func(m int, r *collector.Reading) {
			if m%9 == 0 {
				r.Value[amb] += 30
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			first, last := spoilt(9, c.spoil)
			if first == nil {
				t.Fatal("nothing is said")
			}
			// A probe that slowly reads too warm looks like a coil that ices until it
			// has drifted further than ice would leave the runs as they are.
			if c.name == "air drifting up" {
				first = &last
			}
			if first.Fault != fault.SensorFault || last.Fault != fault.SensorFault {
				t.Errorf("first %v %.2f, then %v %.2f", first.Fault, first.Probability, last.Fault, last.Probability)
			}
			if last.Fault == fault.SensorFault && (last.SensorSort != c.want || last.Sensor != c.of) {
				t.Errorf("%v of %v", last.SensorSort, last.Sensor)
			}
			if last.Fault == fault.SensorFault && (last.Evidence[0].Channel != c.of || !strings.Contains(last.Evidence[0].Text, c.of.String())) {
				t.Errorf("beside %v: %s", last.Evidence[0].Channel, last.Evidence[0].Text)
			}
			at := first.At
			t.Logf("after %.1f h: %s", float64(at-midnight-3*day)/float64(hour), last.Evidence[0].Text)
		})
	}
}

// A probe that broke does not hide what happens to the machine: both are told, each
// ends when it is over.
func TestBrokenProbeDoesNotHideTheMachine(t *testing.T) {
	c, m := newCabinet(12), newMachine()
	play(m, c.live(3*day))
	live := func(n collector.Millis, stuck bool) []detect.Finding {
		rs := c.live(n)
		for i := range rs {
			if stuck {
				rs[i].Value[collector.CoilIn] = -3.1
			}
		}
		return play(m, rs)
	}
	of := func(fs []detect.Finding, id string) (changes []detect.Change, last detect.Finding) {
		for _, f := range fs {
			if f.ID == id {
				changes, last = append(changes, f.Change), f
			}
		}
		return changes, last
	}
	fs := live(18*hour, true)
	if len(fs) == 0 || fs[0].Fault != fault.SensorFault || fs[0].Change != detect.Raised {
		t.Fatalf("a stuck probe: %+v", fs)
	}
	probe := fs[0].ID
	for _, f := range fs {
		if f.ID != probe || f.Fault != fault.SensorFault {
			t.Errorf("of a machine with nothing but a stuck probe: %v %v", f.Change, f.Fault)
		}
	}

	c.condBlocked = true
	fs = live(10*hour, true)
	if changes, _ := of(fs, probe); len(changes) > 0 && changes[len(changes)-1] == detect.Cleared {
		t.Errorf("the probe's finding ended though it is stuck: %v", changes)
	}
	var other string
	for _, f := range fs {
		if f.ID != probe && other == "" {
			other = f.ID
		}
	}
	if other == "" {
		t.Fatal("the blocked condenser is not told")
	}
	if changes, last := of(fs, other); changes[0] != detect.Raised || last.Fault == fault.SensorFault || last.Fault == fault.Unknown {
		t.Errorf("the blocked condenser: %v %v", changes, last.Fault)
	}
	open := m.View().OpenFindings
	if len(open) != 2 {
		t.Errorf("%d findings are open, want both", len(open))
	}
	for _, f := range open {
		if f.ID == probe && len(f.RuledOut) > 0 {
			t.Errorf("the probe's finding rules out %q of the machine", f.RuledOut[0].Text)
		}
	}

	c.repair() // of the condenser alone
	fs = live(16*hour, true)
	if changes, _ := of(fs, other); len(changes) == 0 || changes[len(changes)-1] != detect.Cleared {
		t.Errorf("after the condenser was cleaned: %v", changes)
	}
	if changes, _ := of(fs, probe); len(changes) > 0 {
		t.Errorf("the probe is still stuck: %v", changes)
	}
	fs = live(12*hour, false)
	if changes, last := of(fs, probe); len(changes) != 1 || changes[0] != detect.Cleared || last.Fault != fault.SensorFault {
		t.Errorf("after the probe reads again: %v", changes)
	}
}

// Who puts another probe in, or the label or the plugs right, hears within hours that it
// is good, whether or not the machine shows that somebody was there. Who was there and
// left it as it was is not told that it is.
func TestNewProbeIsBelievedSoon(t *testing.T) {
	const air, out, cond = collector.CabinetAir, collector.CoilOut, collector.Condenser
	for _, c := range []struct {
		name   string
		spoil  func(r *collector.Reading)
		within collector.Millis
	}{
		{"stuck", func(r *collector.Reading) { r.Value[out] = -2.2 }, 150 * minute},
		{"gone", func(r *collector.Reading) { r.Has &^= 1 << out }, 150 * minute},
		{"open", func(r *collector.Reading) {
			r.Has &^= 1 << out
			r.Extra = append(r.Extra, collector.Extra{Name: out.String(), Unit: "Cel", Value: -127})
		}, 150 * minute},
		{"Fahrenheit", func(r *collector.Reading) { r.Value[out] = r.Value[out]*1.8 + 32 }, 6 * hour},
		{"swapped", func(r *collector.Reading) { r.Value[air], r.Value[cond] = r.Value[cond], r.Value[air] }, 6 * hour},
	} {
		for _, seen := range [...]bool{true, false} {
			t.Run(fmt.Sprintf("%s, visit seen %v", c.name, seen), func(t *testing.T) {
				box, m := newCabinet(21), newMachine()
				play(m, box.live(3*day))
				live := func(n collector.Millis, broken bool) (cleared collector.Millis) {
					from := box.at
					rs := box.live(n)
					for i := range rs {
						if broken {
							c.spoil(&rs[i])
						}
					}
					for _, f := range play(m, rs) {
						if f.Fault == fault.SensorFault && f.Change == detect.Cleared {
							return f.At - from
						}
					}
					return 0
				}
				live(10*hour, true)
				if open := m.View().OpenFindings; len(open) != 1 || open[0].Fault != fault.SensorFault {
					t.Fatalf("after 10 h: %d findings", len(open))
				}
				if seen {
					box.at += 20 * minute // it is unplugged and worked on, to no end
					if after := live(12*hour, true); after != 0 {
						t.Errorf("cleared %d min after a visit that left it as it was", after/minute)
					}
					box.at += 20 * minute
				}
				if after := live(12*hour, false); after <= 0 || after > c.within {
					t.Errorf("cleared %d min after it was put right", after/minute)
				}
			})
		}
	}
}

// A wire that is loose comes and goes, and is not over whenever it is good for an hour
// or two.
func TestLooseWireIsOneFinding(t *testing.T) {
	box, m := newCabinet(23), newMachine()
	play(m, box.live(3*day))
	raised, cleared := 0, 0
	for range 6 {
		rs := box.live(4 * hour)
		for i := range rs {
			if i < 90 {
				rs[i].Has &^= 1 << collector.CoilOut
				rs[i].Extra = append(rs[i].Extra, collector.Extra{Name: collector.CoilOut.String(), Unit: "Cel", Value: -127})
			}
		}
		for _, f := range play(m, rs) {
			switch f.Change {
			case detect.Raised:
				raised++
			case detect.Cleared:
				cleared++
			}
		}
	}
	if raised != cleared+1 || raised > 2 {
		t.Errorf("a wire that breaks every four hours: raised %d times, cleared %d times in a day", raised, cleared)
	}
}
