package runstate_test

import (
	"math"
	"testing"

	"coilward/collector"
	"coilward/detect/runstate"
)

const minute = collector.Millis(60_000)

// start is some midnight.
const start = collector.Millis(1_760_000_000_000 / 86_400_000 * 86_400_000)

type at struct {
	min   float64 // since start
	value float64
}

type said struct {
	min float64
	ev  runstate.Event
}

func read(c collector.Channel, p at) *collector.Reading {
	r := &collector.Reading{At: start + collector.Millis(p.min*60_000), Has: collector.ChannelSet(0).With(c)}
	r.Value[c] = p.value
	return r
}

// cycle returns one reading a minute: off minutes at low, on minutes at high.
func cycle(from float64, n int, off, on int, low, high float64) (ps []at) {
	for i := range n {
		v := low
		if i%(off+on) >= off {
			v = high
		}
		ps = append(ps, at{from + float64(i), v})
	}
	return ps
}

func TestEvents(t *testing.T) {
	const a, m = collector.CompressorCurrent, collector.MainsCurrent
	for _, c := range []struct {
		name    string
		channel collector.Channel
		in      []at
		want    []said
	}{
		{"current: one cycle", a,
			[]at{{0, 0}, {1, 0}, {2, 2.1}, {3, 2.0}, {4, 1.9}, {5, 1.9}, {6, 0.01}},
			[]said{{2, runstate.Started}, {6, runstate.Stopped}}},
		{"current: what a transducer leaks is not a run", a,
			[]at{{0, 0}, {1, 0.08}, {2, 0.12}, {3, 0.05}}, nil},
		{"current: a start caught in the act that holds is one start", a,
			append(cycle(0, 20, 5, 5, 0, 2), at{20, 0}, at{21, 9}, at{22, 2}, at{23, 2}, at{24, 0}),
			[]said{{5, runstate.Started}, {10, runstate.Stopped}, {15, runstate.Started}, {20, runstate.Stopped}, {21, runstate.Started}, {24, runstate.Stopped}}},
		{"current: a start with nothing after it failed", a,
			append(cycle(0, 20, 5, 5, 0, 2), at{20, 0}, at{21, 0}, at{22, 9}, at{23, 0}, at{24, 0}, at{25, 10}, at{26, 0}),
			[]said{{5, runstate.Started}, {10, runstate.Stopped}, {15, runstate.Started}, {20, runstate.Stopped},
				{22, runstate.Started}, {23, runstate.FailedStart}, {25, runstate.Started}, {26, runstate.FailedStart}}},
		{"mains: fans alone say nothing", m,
			[]at{{0, 0.5}, {1, 0.52}, {2, 0.49}, {3, 0.5}}, nil},
		{"mains: two cycles above the fans", m, cycle(0, 28, 7, 7, 0.5, 3),
			[]said{{14, runstate.Stopped}, {21, runstate.Started}}}, // nothing is known until both levels are
		{"mains: a start with nothing after it failed", m,
			append(cycle(0, 28, 7, 7, 0.5, 3), at{28, 0.5}, at{29, 0.5}, at{30, 14}, at{31, 0.5}),
			[]said{{14, runstate.Stopped}, {21, runstate.Started}, {28, runstate.Stopped}, {30, runstate.Started}, {31, runstate.FailedStart}}},
		{"a change inside a long gap is no event", a,
			[]at{{0, 0}, {1, 0}, {31, 2}, {32, 2}, {33, 0}},
			[]said{{33, runstate.Stopped}}},
		{"a short gap is bridged", a,
			[]at{{0, 0}, {1, 0}, {11, 2}, {12, 0}},
			[]said{{11, runstate.Started}, {12, runstate.Stopped}}},
		{"the thermostat's call stands in where nothing else tells", collector.CompressorCall,
			[]at{{0, 0}, {1, 1}, {2, 1}, {3, 0}}, []said{{1, runstate.Started}, {3, runstate.Stopped}}},
		{"the condenser fan stands in likewise", collector.CondFanCurrent,
			[]at{{0, 0}, {1, 0.3}, {2, 0.3}, {3, 0}}, []said{{1, runstate.Started}, {3, runstate.Stopped}}},
		{"so does its speed", collector.CondFanSpeed,
			[]at{{0, 0}, {1, 1450}, {2, 1450}, {3, 0}}, []said{{1, runstate.Started}, {3, runstate.Stopped}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s runstate.State
			var got []said
			for _, p := range c.in {
				if ev := s.Observe(read(c.channel, p)); ev != runstate.None {
					got = append(got, said{p.min, ev})
				}
			}
			if len(got) != len(c.want) {
				t.Fatalf("got %v, want %v", got, c.want)
			}
			for i := range got {
				if got[i] != c.want[i] {
					t.Fatalf("event %d is %v, want %v", i, got[i], c.want[i])
				}
			}
		})
	}
}

func TestLengthsLieBetweenTheReadings(t *testing.T) {
	var s runstate.State
	for _, p := range []at{{0, 0}, {4, 0}, {6, 2}, {14, 2}, {16, 0}, {24, 0}, {26, 2}} {
		s.Observe(read(collector.CompressorCurrent, p))
	}
	// Started between 4 and 6, stopped between 14 and 16, started between 24 and 26.
	if s.LastRun != 10 || s.LastOff != 10 {
		t.Errorf("run of %v min and stop of %v min, want 10 and 10", s.LastRun, s.LastOff)
	}
	if m := s.Minutes(start + 30*minute); m != 5 {
		t.Errorf("runs for %v min, want 5", m)
	}
}

// A run that began somewhere in a gap has no length to learn from.
func TestGapHasNoLength(t *testing.T) {
	var s runstate.State
	for _, p := range []at{{0, 0}, {1, 0}, {61, 2}} {
		s.Observe(read(collector.CompressorCurrent, p))
	}
	if !s.Running || s.LastOff != 0 {
		t.Errorf("running %v, stop of %v min; want a run and no length", s.Running, s.LastOff)
	}
	if m := s.Minutes(start + 61*minute); m != 0 {
		t.Errorf("has run for %v min before it was heard of", m)
	}
}

// Lights of 0.9 A burn from 8 to 20 h over fans of 0.6 A, under a compressor
// of 2.6 A: the step is the compressor's whatever stands below it.
func TestMainsUnderLights(t *testing.T) {
	var s runstate.State
	wrong, starts := 0, 0
	for i := range 4 * 1440 {
		on := i%30 >= 20
		a := 0.6 + 0.02*math.Sin(float64(i)) // mains ripple
		if h := i / 60 % 24; h >= 8 && h < 20 {
			a += 0.9
		}
		if on {
			a += 2.6
		}
		if s.Observe(read(collector.MainsCurrent, at{float64(i), a})) == runstate.Started {
			starts++
		}
		if i > 60 && s.Running != on {
			wrong++
		}
		if own := a - s.Beside(); i > 1440 && s.Running && math.Abs(own-2.6) > 0.15 {
			t.Fatalf("minute %d: the compressor draws %.2f A, want 2.6", i, own)
		}
	}
	if wrong > 0 {
		t.Errorf("%d minutes of 4 days are wrong", wrong)
	}
	if want := 4*48 - 1; starts != want { // the first start teaches the levels
		t.Errorf("%d starts, want %d", starts, want)
	}
	if l := s.Level(); math.Abs(l-2.6) > 0.4 {
		t.Errorf("the compressor adds %.2f A, want 2.6", l)
	}
}

// The heater of a defrost may draw what the compressor draws. Where the thermostat's
// call is told, it is not taken for a run; a channel that tells of no call for hours is not
// believed.
func TestMainsWithACall(t *testing.T) {
	for _, c := range []struct {
		name           string
		dies           int // minute from which the channel tells of no call
		missed, heated int // minutes of two days, at most; below 0: not asked
	}{
		{"as it is", 9 * 1440, 0, 16}, // two a defrost, until it is known that it stays
		{"a wire that breaks", 1440, 60, -1},
		{"a dead wire", 0, 60, -1},
	} {
		var s runstate.State
		heated, missed := 0, 0
		for i := range 4 * 1440 {
			// Runs of ten minutes, and four times a day a heater for twenty.
			on, heats := i%30 >= 20, i%360 < 20
			a := 0.4
			if on {
				a += 1.1
			}
			if heats {
				a += 1.2
			}
			r := read(collector.MainsCurrent, at{float64(i), a})
			r.Has = r.Has.With(collector.CompressorCall)
			if on && i < c.dies {
				r.Value[collector.CompressorCall] = 1
			}
			s.Observe(r)
			if i < 2*1440 {
				continue
			}
			if heats && s.Running {
				heated++
			}
			if on && !s.Running {
				missed++
			}
		}
		if missed > c.missed {
			t.Errorf("%s: of two days %d minutes of runs are missed", c.name, missed)
		}
		if c.heated >= 0 && heated > c.heated {
			t.Errorf("%s: of two days %d minutes of heating are taken for runs", c.name, heated)
		}
	}
}

// Without any current the coil's slope tells: it falls while running and
// rises towards the air when stopped.
func TestTemperaturesAlone(t *testing.T) {
	var s runstate.State
	wrong, known := 0, 0
	coil := 4.0
	const air = 4.0
	for i := range 600 {
		on := i%30 >= 20
		target := air
		if on {
			target = -8
		}
		coil += (target - coil) * 0.3 // a coil's time constant is about 3 min
		r := read(collector.CoilOut, at{float64(i), math.Round(coil*10) / 10})
		r.Has = r.Has.With(collector.CabinetAir)
		r.Value[collector.CabinetAir] = air
		s.Observe(r)
		if i > 30 {
			known++
			if s.Running != on {
				wrong++
			}
		}
	}
	if src, ok := s.Source(); !ok || src != collector.CoilOut {
		t.Errorf("source %v, %v", src, ok)
	}
	if wrong > known/20 {
		t.Errorf("%d of %d minutes are wrong", wrong, known)
	}
	if s.Observe(&collector.Reading{At: start + 700*minute}) != runstate.None {
		t.Error("an empty reading changed something")
	}
}

// The compressor's own current outranks everything else from its first
// reading on, also where it is missing now and then.
func TestOwnCurrentOutranksTheRest(t *testing.T) {
	var s runstate.State
	for i, p := range cycle(0, 60, 5, 5, 0, 2) {
		r := read(collector.CompressorCurrent, p)
		if i%7 == 6 {
			r.Has = 0
		}
		r.Has = r.Has.With(collector.CompressorCall)
		r.Value[collector.CompressorCall] = 1 // a thermostat that always calls
		s.Observe(r)
		if src, _ := s.Source(); src != collector.CompressorCurrent {
			t.Fatalf("source %v", src)
		}
	}
	if s.LastRun < 4 || s.LastRun > 6 || s.LastOff < 4 || s.LastOff > 6 {
		t.Errorf("run %v min, stop %v min; want about 5 each", s.LastRun, s.LastOff)
	}
}

// The learned running current is what ran, not the starts caught between.
func TestLevelLeavesInrushOut(t *testing.T) {
	var s runstate.State
	for i, p := range cycle(0, 400, 10, 10, 0, 2) {
		if i > 40 && i%20 == 10 {
			p.value = 9
		}
		s.Observe(read(collector.CompressorCurrent, p))
		if caught := i > 40 && i%20 == 10; s.Inrush() != caught {
			t.Fatalf("minute %d: inrush %v", i, s.Inrush())
		}
	}
	if l := s.Level(); math.Abs(l-2) > 0.05 {
		t.Errorf("running current %.2f A, want 2", l)
	}
}

// Other loads jump under the compressor: lights of about half its step, lights
// of three quarters of it, and a defrost heater of twice as much.
func TestMainsUnderLargeLoads(t *testing.T) {
	for _, c := range []struct {
		name                  string
		step, lights, heater  float64
		wrong                 int // minutes of 4 days at most
		quantum               float64
		everyHeater, forHeats int
	}{
		{"lights of 1.2 A beside 2.6 A", 2.6, 1.2, 0, 2, 0.01, 0, 0},
		{"lights of 1.2 A beside 1.6 A", 1.6, 1.2, 0, 160, 0.01, 0, 0},
		{"a heater of 4 A beside 1.8 A", 1.8, 0.2, 4, 20, 0.05, 480, 20}, // once it comes as the compressor stops
		{"no other load, coarse steps", 1.4, 0, 0, 0, 0.1, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s runstate.State
			wrong, failed := 0, 0
			for i := range 4 * 1440 {
				on := i%41 >= 26
				heats := c.everyHeater > 0 && i%c.everyHeater < c.forHeats && i > c.everyHeater
				on = on && !heats
				a := 0.5 + 0.02*math.Sin(float64(i))
				if h := i / 60 % 24; h >= 8 && h < 20 {
					a += c.lights
				}
				if heats {
					a += c.heater
				}
				if on {
					a += c.step * (1 + 0.12*math.Exp(-float64(i%41-26)/3)) // it settles
				}
				if s.Observe(read(collector.MainsCurrent, at{float64(i), math.Round(a/c.quantum) * c.quantum})) == runstate.FailedStart {
					failed++
				}
				if i > 60 && s.Running != on {
					wrong++
				}
			}
			if wrong > c.wrong {
				t.Errorf("%d minutes of 4 days are wrong", wrong)
			}
			if l := s.Level(); math.Abs(l-c.step) > 0.15*c.step {
				t.Errorf("the compressor adds %.2f A, want %.1f", l, c.step)
			}
			if failed > 0 {
				t.Errorf("%d starts failed", failed)
			}
		})
	}
}
