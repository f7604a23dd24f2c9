package life_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/detect/life"
	"coilward/detect/runstate"
)

const (
	minute = collector.Millis(60_000)
	hour   = 60 * minute
	day    = 24 * hour
)

// begin is some midnight, UTC.
const begin = collector.Millis(1_760_000_000_000 / 86_400_000 * 86_400_000)

// plant is a drawing of a cabinet, not a model of one: it runs for 10 of 30
// minutes between 5 and 2 °C, in a room of 22 ± 1 °C. A test bends what it likes.
type plant struct {
	t     *testing.T
	book  life.Book
	run   runstate.State
	at    collector.Millis
	coils bool
	phase int // minutes since the last stop
	bend  func(p *plant, r *collector.Reading)
	hold  func(p *plant) bool // the timer keeps it stopped
}

func newPlant(t *testing.T) *plant { return &plant{t: t, at: begin, coils: true} }

// live lets n minutes pass.
func (p *plant) live(n collector.Millis) {
	for range n {
		p.at += minute
		p.phase++
		if p.phase >= 30 {
			p.phase = 0
		}
		held := p.hold != nil && p.hold(p)
		if held {
			p.phase = 0
		}
		on := p.phase >= 20 && !held
		r := collector.Reading{At: p.at}
		set := func(c collector.Channel, x float64) { r.Has, r.Value[c] = r.Has.With(c), math.Round(x*10)/10 }
		air := 2 + 3*float64(p.phase)/20
		if on {
			air = 5 - 3*float64(p.phase-20)/10
		}
		set(collector.CabinetAir, air)
		set(collector.Ambient, 22+math.Sin(2*math.Pi*float64(p.at%day)/float64(day)))
		amps, coil := 0.0, air
		if on {
			amps, coil = 2, air-8
		}
		set(collector.CompressorCurrent, amps)
		if p.coils {
			set(collector.CoilOut, coil)
			set(collector.CoilIn, coil-1)
		}
		set(collector.Door, 0)
		if p.bend != nil {
			p.bend(p, &r)
		}
		if r.Has == 0 {
			continue
		}
		p.run.Observe(&r)
		p.book.Observe(&life.Input{Reading: &r, Run: &p.run, In: 5, Out: 2, Interval: 60})
	}
}

// want returns the events of a kind and complains of any other, but those that
// may be there beside.
func (p *plant) want(k life.Kind, n int, beside ...life.Kind) (got []*life.Event) {
	p.t.Helper()
	for e := range p.book.Each {
		if slices.Contains(beside, e.Kind) {
			continue
		}
		if e.Kind != k {
			p.t.Errorf("%v, %v: %s", e.Kind, e.From().Time(), e.Text())
			continue
		}
		got = append(got, e)
	}
	if len(got) != n {
		p.t.Fatalf("%d of %v, want %d", len(got), k, n)
	}
	return got
}

// minuteOfDay is UTC.
func (p *plant) minuteOfDay() int { return int(p.at % day / minute) }

func TestQuietDaysBringNothing(t *testing.T) {
	p := newPlant(t)
	p.live(8 * 1440)
	p.want(life.Restock, 0)
}

func TestDoorTraffic(t *testing.T) {
	p := newPlant(t)
	p.bend = func(p *plant, r *collector.Reading) {
		m := p.minuteOfDay()
		busy := m >= 12*60 && m < 13*60 && p.at > begin+3*day
		if m%40 == 7 && m > 7*60 || busy && m%3 == 0 { // 1.5 an hour, and 20 at noon
			r.Value[collector.Door] = 1
		}
	}
	p.live(4 * 1440)
	e := p.want(life.DoorTraffic, 1)[0]
	if from := e.From() - begin - 3*day; from < 11*hour || from > 12*hour+40*minute {
		t.Errorf("began at %.1f h", float64(from)/float64(hour))
	}
	if to := e.To() - begin - 3*day; to < 13*hour || to > 16*hour {
		t.Errorf("ended at %.1f h", float64(to)/float64(hour))
	}
	if e.A < 18 || e.A > 26 || !strings.Contains(e.Text(), "openings") {
		t.Errorf("%s", e.Text())
	}
}

// A timer stops it every six hours for a while; the pauses are told once they
// have come again at equal spaces, and not before.
func TestTimedDefrost(t *testing.T) {
	p := newPlant(t)
	p.hold = func(p *plant) bool { return p.minuteOfDay()%360 < 25 && p.at > begin+day }
	p.live(3*1440 + 30)
	got := p.want(life.Defrost, 3)
	for _, e := range got {
		if m := float64(e.To()-e.From()) / float64(minute); m < 20 || m > 50 {
			t.Errorf("a pause of %v min", m)
		}
		if !strings.Contains(e.Text(), "timed") || !strings.Contains(e.Text(), "every 6.0 h") {
			t.Error(e.Text())
		}
	}
}

// The same pauses without a timer behind them are no defrost.
func TestIrregularPausesAreNoDefrost(t *testing.T) {
	p := newPlant(t)
	at := []int{3, 8, 17, 20, 31, 35, 41, 50, 62, 65} // hours
	p.hold = func(p *plant) bool {
		m := int((p.at - begin - day) / minute)
		for _, h := range at {
			if m >= h*60 && m < h*60+25 {
				return true
			}
		}
		return false
	}
	p.live(4 * 1440)
	p.want(life.Defrost, 0)
}

// Only a heater brings the coil above the air.
func TestHeaterDefrost(t *testing.T) {
	p := newPlant(t)
	from := begin + 30*hour
	p.hold = func(p *plant) bool { return p.at >= from && p.at < from+20*minute }
	p.bend = func(p *plant, r *collector.Reading) {
		if p.at >= from+5*minute && p.at < from+20*minute {
			r.Value[collector.CoilOut], r.Value[collector.CoilIn] = 12, 12
		}
	}
	p.live(2 * 1440)
	if e := p.want(life.Defrost, 1)[0]; !strings.Contains(e.Text(), "heater: the coil went to 12.0 °C") {
		t.Error(e.Text())
	}
}

// Frost holds the coil at 0 °C until it has melted.
func TestFrostMeltsInAPause(t *testing.T) {
	p := newPlant(t)
	from := begin + 30*hour
	p.hold = func(p *plant) bool { return p.at >= from && p.at < from+30*minute }
	p.bend = func(p *plant, r *collector.Reading) {
		if p.at >= from && p.at < from+30*minute {
			m := float64(p.at-from) / float64(minute)
			air, coil := 2+m/10, 0.1
			if m > 16 {
				coil = 0.1 + (m-16)/5
			}
			r.Value[collector.CabinetAir], r.Value[collector.CoilOut], r.Value[collector.CoilIn] = air, coil, coil
		}
	}
	p.live(2 * 1440)
	if e := p.want(life.Defrost, 1)[0]; !strings.Contains(e.Text(), "0 °C") || e.B < 9 || e.B > 17 {
		t.Error(e.Text())
	}
}

// The band stands 2 K higher from 22 to 6 h: a saver from the third night on.
func TestEnergySaver(t *testing.T) {
	p := newPlant(t)
	p.bend = func(p *plant, r *collector.Reading) {
		if h := p.minuteOfDay() / 60; h >= 22 || h < 6 {
			for _, c := range []collector.Channel{collector.CabinetAir, collector.CoilOut, collector.CoilIn} {
				r.Value[c] += 2
			}
		}
	}
	p.live(6*1440 + 12*60)
	for _, e := range p.want(life.EnergySaver, 3) {
		from, to := int(e.From()%day/hour), int(e.To()%day/hour)
		if from < 21 || from > 22 || to < 5 || to > 6 || math.Abs(float64(e.A)-2) > 0.3 {
			t.Errorf("from %d to %d h: %s", from, to, e.Text())
		}
	}
}

// A band that moves once and stays is no saver, and nor is one warm evening.
func TestMovedBandIsNoSaver(t *testing.T) {
	p := newPlant(t)
	p.bend = func(p *plant, r *collector.Reading) {
		h := int((p.at - begin) / hour)
		if h > 5*24 || h >= 44 && h < 50 {
			for _, c := range []collector.Channel{collector.CabinetAir, collector.CoilOut, collector.CoilIn} {
				r.Value[c] += 2
			}
		}
	}
	p.live(9 * 1440)
	if e := p.want(life.SetpointMoved, 1)[0]; math.Abs(float64(e.A)-2) > 0.3 || e.From() < begin+5*day || e.From() > begin+6*day+2*hour {
		t.Errorf("%v: %s", e.From()-begin, e.Text())
	}
}

func TestHeatWave(t *testing.T) {
	p := newPlant(t)
	p.bend = func(p *plant, r *collector.Reading) {
		if d := (p.at - begin) / day; d >= 5 && d < 8 {
			r.Value[collector.Ambient] += 8
		}
	}
	p.live(11 * 1440)
	e := p.want(life.HeatWave, 1)[0]
	if from, to := (e.From()-begin)/hour, (e.To()-begin)/hour; from < 4*24 || from > 5*24+12 || to < 8*24 || to > 9*24 {
		t.Errorf("from %d to %d h, want about 120 to 192", from, to)
	}
	if math.Abs(float64(e.A)-31) > 0.2 || math.Abs(float64(e.B)-22) > 0.3 {
		t.Error(e.Text())
	}
}

func TestPowerBlip(t *testing.T) {
	volts := func(p *plant, r *collector.Reading) {
		r.Has, r.Value[collector.MainsVoltage] = r.Has.With(collector.MainsVoltage), 230
	}
	t.Run("the voltage says so", func(t *testing.T) {
		p := newPlant(t)
		p.bend = func(p *plant, r *collector.Reading) {
			volts(p, r)
			if m := (p.at - begin) / minute; m >= 2000 && m < 2003 {
				r.Value[collector.MainsVoltage] = 0
			}
		}
		p.live(2 * 1440)
		if e := p.want(life.PowerBlip, 1)[0]; e.To()-e.From() < 3*minute || e.To()-e.From() > 5*minute {
			t.Error(e.Text())
		}
	})
	t.Run("too long for a blip: somebody pulled the plug", func(t *testing.T) {
		p := newPlant(t)
		p.bend = func(p *plant, r *collector.Reading) {
			volts(p, r)
			if m := (p.at - begin) / minute; m >= 2000 && m < 2060 {
				r.Value[collector.MainsVoltage] = 0
			}
		}
		p.live(2 * 1440)
		if e := p.want(life.Cleaning, 1)[0]; !strings.Contains(e.Text(), "61 min") {
			t.Error(e.Text())
		}
	})
	t.Run("the readings pause and it has to start again", func(t *testing.T) {
		p := newPlant(t)
		p.bend = func(p *plant, r *collector.Reading) {
			switch m := (p.at - begin) / minute; {
			case m >= 2002 && m < 2007: // it runs from 2000 on
				r.Has = 0
			case m >= 2007 && m < 2010:
				r.Value[collector.CompressorCurrent], r.Value[collector.CabinetAir] = 0, 4.5
			}
		}
		p.live(1999 + 30)
		p.live(1440)
		p.want(life.PowerBlip, 1)
	})
	t.Run("the readings pause and it runs on", func(t *testing.T) {
		p := newPlant(t)
		p.bend = func(p *plant, r *collector.Reading) {
			if m := (p.at - begin) / minute; m >= 2002 && m < 2007 {
				r.Has = 0
			}
		}
		p.live(2 * 1440)
		p.want(life.PowerBlip, 0)
	})
}

// A plug that was out for so long that nothing was measured and the air is warm.
func TestCleaning(t *testing.T) {
	for _, c := range []struct {
		name string
		air  float64 // °C at the return
		want int
	}{{"unplugged", 7.5, 1}, {"not heard", 4.5, 0}} {
		p := newPlant(t)
		p.bend = func(p *plant, r *collector.Reading) {
			switch m := (p.at - begin) / minute; {
			case m >= 2002 && m < 2040:
				r.Has = 0
			case m == 2040:
				r.Value[collector.CabinetAir] = c.air
			}
		}
		p.live(2 * 1440)
		p.want(life.Cleaning, c.want)
	}
}

// The machine stood warm with its door open.
func TestCleaningWithTheDoorOpen(t *testing.T) {
	p := newPlant(t)
	from := begin + 30*hour
	p.hold = func(p *plant) bool { return p.at >= from && p.at < from+40*minute }
	p.bend = func(p *plant, r *collector.Reading) {
		if p.at >= from && p.at < from+40*minute {
			r.Value[collector.CabinetAir] = 5 + 4*float64(p.at-from)/float64(40*minute)
			if p.at < from+25*minute {
				r.Value[collector.Door] = 1
			}
		}
	}
	p.live(2 * 1440)
	if e := p.want(life.Cleaning, 1, life.DoorTraffic)[0]; !strings.Contains(e.Text(), "the door open for 2") {
		t.Error(e.Text())
	}
}

// A restock that flickers is one, and one that passes at once was none.
func TestFlicker(t *testing.T) {
	var b life.Book
	b.Note(life.Restock, begin, 0, 0)
	b.EndAfter(life.Restock, begin+hour, 25*minute)
	if !b.Again(life.Restock, begin+2*hour, 4*hour) || b.Lasting(life.Restock) == nil {
		t.Error("an hour later it is not the same")
	}
	b.EndAfter(life.Restock, begin+3*hour, 25*minute)
	if b.Again(life.Restock, begin+10*hour, 4*hour) {
		t.Error("seven hours later it is still the same")
	}
	b.Note(life.Restock, begin+10*hour, 0, 0)
	b.EndAfter(life.Restock, begin+10*hour+8*minute, 25*minute)
	n := 0
	for range b.Each {
		n++
	}
	if n != 1 {
		t.Errorf("%d restocks, want 1", n)
	}
}

func TestSensorReplaced(t *testing.T) {
	const from = 40*60 + 12 // it has stood for 12 min
	for _, c := range []struct {
		name    string
		channel collector.Channel
		by      float64
		hand    int // min of silence
		coils   bool
		want    int
	}{
		{"air, with tubes to hold it against", collector.CabinetAir, 1.5, 0, true, 1},
		{"air alone, a hand at it", collector.CabinetAir, -1.5, 6, false, 1},
		{"air alone steps: the band may have moved", collector.CabinetAir, -1.5, 0, false, 0},
		{"room", collector.Ambient, 2, 0, true, 1},
		{"coil, a hand at it", collector.CoilOut, 2, 5, true, 1},
		{"a hand at it, the same probe as before", collector.CoilOut, 0.2, 5, true, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlant(t)
			p.coils = c.coils
			p.bend = func(p *plant, r *collector.Reading) {
				switch m := int((p.at - begin) / minute); {
				case m >= from && m < from+c.hand:
					r.Has &^= 1 << c.channel
				case m >= from:
					r.Value[c.channel] += c.by
				}
			}
			p.live(4 * 1440)
			for _, e := range p.want(life.SensorReplaced, c.want, life.SetpointMoved) {
				if collector.Channel(e.Way) != c.channel || math.Abs(float64(e.A)-c.by) > 0.4 || math.Abs(float64(e.From()-begin-from*minute)) > float64(10*minute) {
					t.Errorf("%v at %v: %s", e.From(), begin+from*minute, e.Text())
				}
			}
		})
	}
}

// Air and coil that step together are the machine.
func TestMachineThatStepsIsNoSensor(t *testing.T) {
	p := newPlant(t)
	p.bend = func(p *plant, r *collector.Reading) {
		if p.at > begin+40*hour {
			for _, c := range []collector.Channel{collector.CabinetAir, collector.CoilOut, collector.CoilIn} {
				r.Value[c] += 1.5
			}
		}
	}
	p.live(4 * 1440)
	p.want(life.SetpointMoved, 1)
}

func TestReadingsOfAnOutageAreCounted(t *testing.T) {
	p := newPlant(t)
	p.live(600)
	p.book.Note(life.LinkOutage, p.at, p.at+90*minute, 90)
	p.live(120)
	e := p.want(life.LinkOutage, 1)[0]
	if e.B < 85 || e.B > 90 || !strings.Contains(e.Text(), "came later") {
		t.Error(e.Text())
	}
}

// Many of one kind do not push the others off, and the newest are kept.
func TestShares(t *testing.T) {
	var b life.Book
	b.Note(life.Restock, begin, begin+hour, 0)
	for i := range collector.Millis(30) {
		b.Note(life.Defrost, begin+i*hour, begin+i*hour+minute, 0)
	}
	restocks, defrosts, newest := 0, 0, collector.Millis(0)
	for e := range b.Each {
		if e.Kind == life.Restock {
			restocks++
		} else {
			defrosts++
			newest = e.From()
		}
	}
	if restocks != 1 || defrosts != 3 || newest != begin+29*hour {
		t.Errorf("%d restocks, %d defrosts, newest %v", restocks, defrosts, newest-begin)
	}
}

func TestObserveAllocatesNothing(t *testing.T) {
	p := newPlant(t)
	p.live(3000)
	r := collector.Reading{At: p.at, Has: 1 << collector.CabinetAir}
	in := life.Input{Reading: &r, Run: &p.run, In: 5, Out: 2, Interval: 60}
	if n := testing.AllocsPerRun(500, func() { r.At += minute; p.book.Observe(&in) }); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

func BenchmarkObserve(b *testing.B) {
	p := newPlant(nil)
	p.live(3000)
	r := collector.Reading{At: p.at, Has: 1<<collector.CabinetAir | 1<<collector.CoilOut | 1<<collector.Ambient | 1<<collector.Door | 1<<collector.CompressorCurrent}
	in := life.Input{Reading: &r, Run: &p.run, In: 5, Out: 2, Interval: 60}
	b.ReportAllocs()
	for b.Loop() {
		r.At += minute
		p.book.Observe(&in)
	}
}
