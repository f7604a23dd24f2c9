package channel_test

import (
	"math"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/detect/channel"
)

const (
	minute = collector.Millis(60_000)
	begin  = collector.Millis(1_760_000_000_000 / 86_400_000 * 86_400_000)
)

// cabinet is a drawing of one: 10 of 30 minutes of running, tubes, a room.
type cabinet struct {
	w    channel.Watch
	at   collector.Millis
	bend func(m int, r *collector.Reading)
}

func (c *cabinet) live(n int) {
	for range n {
		c.at += minute
		m := int((c.at - begin) / minute)
		phase := m % 30
		on := phase >= 20
		air, lift := 2+3*float64(phase)/20, 0.0
		if on {
			air = 5 - 3*float64(phase-20)/10
			lift = 1 - math.Exp(-float64(phase-19)/3)
		} else {
			lift = math.Exp(-float64(phase+1) / 3)
		}
		r := collector.Reading{At: c.at}
		set := func(ch collector.Channel, x float64) { r.Has, r.Value[ch] = r.Has.With(ch), math.Round(x*10)/10 }
		set(collector.CabinetAir, air)
		set(collector.SupplyAir, air-5*lift)
		set(collector.CoilOut, air-9*lift)
		set(collector.Condenser, 24+16*lift)
		set(collector.Ambient, 24+1.5*math.Sin(float64(m)/230))
		if c.bend != nil {
			c.bend(m, &r)
		}
		c.w.Observe(&r, on)
	}
}

func newCabinet(bend func(m int, r *collector.Reading)) *cabinet {
	return &cabinet{at: begin, bend: bend}
}

func TestWellSensorsHaveNoSort(t *testing.T) {
	c := newCabinet(nil)
	for range 5 {
		c.live(1440)
		if v, ok := c.w.Worst(); ok {
			t.Fatalf("%v of %v", v.Sort, v.Channel)
		}
	}
}

const onset = 2000

// Every sort is told by its sign, for the channel it is of, and taken back when
// it is over.
func TestSorts(t *testing.T) {
	refuse := func(r *collector.Reading, ch collector.Channel, x float64) {
		r.Has &^= 1 << ch
		r.Extra = append(r.Extra, collector.Extra{Name: ch.String(), Unit: "Cel", Value: x})
	}
	for _, c := range []struct {
		name   string
		ch     collector.Channel
		want   channel.Sort
		spoil  func(m int, r *collector.Reading)
		within int // minutes
		says   string
	}{
		{"stuck", collector.CoilOut, channel.Stuck, func(_ int, r *collector.Reading) { r.Value[collector.CoilOut] = -3.1 }, 5 * 60, "stuck"},
		{"a still room is stuck after long", collector.Ambient, channel.Stuck, func(_ int, r *collector.Reading) { r.Value[collector.Ambient] = 24 }, 11 * 60, "stuck"},
		{"open, outside the range", collector.CabinetAir, channel.Open, func(_ int, r *collector.Reading) { refuse(r, collector.CabinetAir, -127) }, 10, "open"},
		{"open, inside the range", collector.CoilOut, channel.Open, func(_ int, r *collector.Reading) { r.Value[collector.CoilOut] = -48.5 }, 10, "-48.5"},
		{"open, says nothing", collector.SupplyAir, channel.Open, func(_ int, r *collector.Reading) { r.Has &^= 1 << collector.SupplyAir }, 40, "open"},
		{"short, outside the range", collector.CabinetAir, channel.Short, func(_ int, r *collector.Reading) { refuse(r, collector.CabinetAir, 150) }, 10, "short"},
		{"short, inside the range", collector.CabinetAir, channel.Short, func(_ int, r *collector.Reading) { r.Value[collector.CabinetAir] = 85 }, 10, "short"},
		{"no number", collector.CabinetAir, channel.OutOfRange, func(_ int, r *collector.Reading) {
			r.Has &^= 1 << collector.CabinetAir
			r.Extra = append(r.Extra, collector.Extra{Name: "cabinet_air", Unit: "Cel", Text: "NaN"})
		}, 10, "cannot have"},
		{"fahrenheit", collector.CabinetAir, channel.Fahrenheit, func(_ int, r *collector.Reading) {
			r.Value[collector.CabinetAir] = r.Value[collector.CabinetAir]*1.8 + 32
		}, 10, "Fahrenheit"},
		{"fahrenheit of a room, beyond the range", collector.Ambient, channel.Fahrenheit, func(_ int, r *collector.Reading) {
			refuse(r, collector.Ambient, r.Value[collector.Ambient]*1.8+33)
		}, 10, "Fahrenheit"},
		{"swapped", collector.CabinetAir, channel.Swapped, func(_ int, r *collector.Reading) {
			r.Value[collector.CabinetAir], r.Value[collector.Condenser] = r.Value[collector.Condenser], r.Value[collector.CabinetAir]
		}, 10, "cabinet_air and condenser are swapped"},
		{"erratic", collector.Ambient, channel.Erratic, func(m int, r *collector.Reading) {
			if m%7 == 0 {
				r.Value[collector.Ambient] += 30
			}
		}, 30, "leaps"},
	} {
		t.Run(c.name, func(t *testing.T) {
			end := onset + c.within + 60
			p := newCabinet(func(m int, r *collector.Reading) {
				if m >= onset && m < end {
					c.spoil(m, r)
				}
			})
			p.live(onset - 1)
			if _, ok := p.w.Worst(); ok {
				t.Fatal("before the onset")
			}
			p.live(c.within)
			v, ok := p.w.Worst()
			if !ok || v.Sort != c.want || v.Channel != c.ch {
				t.Fatalf("%v of %v (%v)", v.Sort, v.Channel, ok)
			}
			if s := v.Text(60); !strings.Contains(s, c.says) || !strings.Contains(s, c.ch.String()) {
				t.Error(s)
			}
			if d := (v.Since - begin) / minute; d < onset-40 || d > onset+collector.Millis(c.within) {
				t.Errorf("since minute %d, want %d", d, onset)
			}
			p.live(60 + 24*60)
			if v, ok := p.w.Worst(); ok {
				t.Errorf("a day after it was over: %v of %v", v.Sort, v.Channel)
			}
		})
	}
}

// Who puts a label or two plugs right unplugs the machine meanwhile, so that no reading
// shows the change. It is seen all the same; and what was left wrong stays wrong.
func TestPutRightInASilence(t *testing.T) {
	fahrenheit := func(ch collector.Channel) func(*collector.Reading) {
		return func(r *collector.Reading) { r.Value[ch] = r.Value[ch]*1.8 + 32 }
	}
	swap := func(a, b collector.Channel) func(*collector.Reading) {
		return func(r *collector.Reading) { r.Value[a], r.Value[b] = r.Value[b], r.Value[a] }
	}
	for _, c := range []struct {
		name  string
		want  channel.Sort
		spoil func(r *collector.Reading)
	}{
		{"air in Fahrenheit", channel.Fahrenheit, fahrenheit(collector.CabinetAir)},
		{"supply air in Fahrenheit", channel.Fahrenheit, fahrenheit(collector.SupplyAir)},
		{"coil in Fahrenheit", channel.Fahrenheit, fahrenheit(collector.CoilOut)},
		{"condenser in Fahrenheit", channel.Fahrenheit, fahrenheit(collector.Condenser)},
		{"air and condenser swapped", channel.Swapped, swap(collector.CabinetAir, collector.Condenser)},
		{"supply and room swapped", channel.Swapped, swap(collector.SupplyAir, collector.Ambient)},
	} {
		for _, right := range [...]bool{true, false} {
			wrong := true
			p := newCabinet(func(m int, r *collector.Reading) {
				if m >= onset+20 && wrong { // in the middle of a rest
					c.spoil(r)
				}
			})
			p.live(onset + 300)
			if v, ok := p.w.Worst(); !ok || v.Sort != c.want {
				t.Fatalf("%s: %v after five hours", c.name, v.Sort)
			}
			p.at += 55 * minute
			wrong = !right
			p.live(100)
			for range 24 {
				switch v, ok := p.w.Worst(); {
				case right && ok:
					t.Fatalf("%s, put right: %v", c.name, v.Sort)
				case !right && v.Sort != c.want:
					t.Fatalf("%s, left as it was: %v", c.name, v.Sort)
				}
				p.live(60)
			}
		}
	}
}

// A machine that was labelled wrongly from the first day has no step to tell by:
// its thermostat stops where no cabinet is cooled to.
func TestFahrenheitFromTheFirstDay(t *testing.T) {
	c := newCabinet(func(_ int, r *collector.Reading) {
		r.Value[collector.CabinetAir] = r.Value[collector.CabinetAir]*1.8 + 32
	})
	c.live(150)
	if v, ok := c.w.Worst(); !ok || v.Sort != channel.Fahrenheit || v.Channel != collector.CabinetAir {
		t.Errorf("%v of %v", v.Sort, v.Channel)
	}
}

// A start that makes the tubes leap, seen through readings minutes apart, is no
// sensor fault.
func TestStartsAreNoFault(t *testing.T) {
	var w channel.Watch
	for i := range 2000 {
		on := i%4 >= 2
		r := collector.Reading{At: begin + collector.Millis(i)*5*minute}
		set := func(ch collector.Channel, x float64) { r.Has, r.Value[ch] = r.Has.With(ch), x }
		set(collector.CabinetAir, 3.5)
		coil, cond := 3.0, 24.0
		if on {
			coil, cond = -12, 44
		}
		set(collector.CoilOut, coil+0.1*float64(i%3))
		set(collector.Condenser, cond+0.1*float64(i%5))
		set(collector.CabinetAir, 3.5+0.1*float64(i%7))
		w.Observe(&r, on)
		if v, ok := w.Worst(); ok {
			t.Fatalf("reading %d: %v of %v", i, v.Sort, v.Channel)
		}
	}
}

// A condenser that passes 90 °C because its fan stands, and leaps back when it
// turns, is the machine.
func TestHotCondenserIsNoSensor(t *testing.T) {
	c := newCabinet(func(m int, r *collector.Reading) {
		if m > onset && m%90 < 20 {
			r.Value[collector.Condenser] = 91
		}
	})
	c.live(onset)
	for range 600 {
		c.live(1)
		if v, ok := c.w.Worst(); ok {
			t.Fatalf("%v of %v", v.Sort, v.Channel)
		}
	}
}

func TestOffsetFindsTheChannel(t *testing.T) {
	const air, supply, out, in, cond, amb = collector.CabinetAir, collector.SupplyAir, collector.CoilOut, collector.CoilIn, collector.Condenser, collector.Ambient
	// What each channel adds to the differences when it reads 3 K too high.
	shifts := func(c collector.Channel, d float64) []channel.Shift {
		list := []channel.Shift{{Plus: air, Minus: out, HasMinus: true, SD: 0.5}, {Plus: air, Minus: in, HasMinus: true, SD: 0.6}, {Plus: out, Minus: in, HasMinus: true, SD: 0.4},
			{Plus: air, Minus: supply, HasMinus: true, SD: 0.4}, {Plus: cond, Minus: amb, HasMinus: true, SD: 1}, {Plus: air, SD: 0.3}, {Plus: air, SD: 0.3}, {Plus: amb, SD: 3}}
		for i := range list {
			s := &list[i]
			s.By = 0.1 * float64(i%3-1)
			if s.Plus == c {
				s.By += d
			}
			if s.HasMinus && s.Minus == c {
				s.By -= d
			}
		}
		return list
	}
	for _, c := range []collector.Channel{air, out, in} {
		for _, d := range []float64{3, -2} {
			got, delta, share, ok := channel.Offset(shifts(c, d))
			if !ok || got != c || math.Abs(delta-d) > 0.3 || share < 0.8 {
				t.Errorf("%v off by %v: %v off by %.1f, explains %.2f, %v", c, d, got, delta, share, ok)
			}
		}
	}
	// A coil that ices moves both tubes below the air, and the supply air after
	// them: no single sensor does.
	iced := []channel.Shift{{Plus: air, Minus: out, HasMinus: true, By: 4, SD: 0.5}, {Plus: air, Minus: in, HasMinus: true, By: 4, SD: 0.6}, {Plus: out, Minus: in, HasMinus: true, SD: 0.4}, {Plus: air, Minus: supply, HasMinus: true, By: -2, SD: 0.4}, {Plus: air, By: 0.2, SD: 0.3}, {Plus: air, By: 0.1, SD: 0.3}}
	if c, d, share, ok := channel.Offset(iced); ok {
		t.Errorf("an iced coil is %v off by %.1f, explains %.2f", c, d, share)
	}
	if _, _, _, ok := channel.Offset(nil); ok {
		t.Error("nothing shifted, and yet")
	}
}

func BenchmarkObserve(b *testing.B) {
	c := newCabinet(nil)
	c.live(3000)
	r := collector.Reading{At: c.at, Has: 1<<collector.CabinetAir | 1<<collector.CoilOut | 1<<collector.Ambient}
	b.ReportAllocs()
	for b.Loop() {
		r.At += minute
		r.Value[collector.CabinetAir] = float64(r.At / minute % 5)
		c.w.Observe(&r, false)
	}
}
