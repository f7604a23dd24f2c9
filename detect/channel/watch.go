package channel

import (
	"math"

	"coilward/collector"
)

// Sort is a kind of sensor fault. Zero is none that is known.
type Sort uint8

// Sorts of sensor faults.
const (
	None Sort = iota
	Stuck
	Open
	Short
	Swapped
	Fahrenheit
	Erratic
	OutOfRange
	Drifting
	Contradicts
	numSorts
)

var names = [numSorts]string{"", "stuck", "open", "short", "swapped", "fahrenheit", "erratic", "out-of-range", "drifting", "contradicts-the-others"}

func (s Sort) String() string { return names[s] }

// numTemps is how many temperatures there are; they are the first channels.
const numTemps = 7

// temps are the temperatures.
const temps = collector.ChannelSet(1<<numTemps - 1)

// Signs that last.
const (
	outWeight  = 4         // readings with impossible values, and as many good ones take it back
	leapsEnd   = 3 * 3600  // s after which leaps are forgotten
	leapsLeast = 3         // leaps there and back within that time
	leapBack   = 400       // s within which it comes back
	scaleLeast = 25        // K: below that a coil that thaws looks the same
	hotStops   = 3         // stops at 32–50 °C: a thermostat does not hold that, in Fahrenheit it does
	goneLeast  = 30 * 60   // s of silence beside the others
	stuckLeast = 2 * 3600  // s without change, at the least
	stuckRoom  = 10 * 3600 // of the room, which is often still
	relabelled = 15        // min at rest in which it does not read as Fahrenheit does, after which the label was put right
)

// tooCold is what no probe of a cabinet reads that is whole, °C.
const tooCold = -40

// tooHot is what a whole probe of the channel does not read, °C: a condenser
// without its fan passes 90, and a shell opens its overload at 107 to 121.
func tooHot(c collector.Channel) float32 {
	switch c {
	case collector.Condenser:
		return 120
	case collector.CompressorShell:
		return 165
	}
	return 80
}

// Watch keeps the signs of one machine's sensors. The zero value has heard
// nothing.
type Watch struct {
	last    int32 // Unix s of the newest reading
	settled int32 // Unix s of the last look at what no reading shows
	ch      [numTemps]probe
	other   struct{ a, b uint8 } // of a swap
	swapAt  int32                // Unix s since which two channels are swapped; 0 they are not
	hot     uint8                // stops in a row at an air no cabinet is cooled to
	ran     bool
}

// probe is what is kept of one temperature. 24 bytes.
type probe struct {
	prev    float32 // °C, last value that can be
	changed int32   // Unix s of the last change
	heard   int32   // Unix s of the last value
	stepAt  int32   // Unix s of the last step; 0 none
	wrong   int8    // readings of late with a value that cannot be; negative: below
	leaps   uint8
	celsius uint8 // min at rest in which one in Fahrenheit did not read so; see labels
	sort    Sort
	up      bool  // which way the last step went
	busy    bool  // it has changed often enough to be called stuck when it does not
	gap     uint8 // min, the longest it was silent beside the others and came back: some report by the hour
}

// Observe takes the next reading in event order, and whether the compressor runs.
func (w *Watch) Observe(r *collector.Reading, runs bool) {
	now := int32(r.At / 1000)
	dt := float64(now-w.last) / 60
	first := w.last == 0
	w.last = now
	for i := range r.Extra {
		w.impossible(&r.Extra[i], now)
	}
	var stepped [numTemps]bool
	var before [numTemps]float32
	any, moved := false, 0
	for c := range (r.Has & temps).All {
		p := &w.ch[c]
		x := float32(r.Value[c])
		if p.heard == 0 || now-p.heard > 6*3600 {
			*p = probe{prev: x, changed: now, heard: now, stepAt: p.stepAt}
			continue
		}
		if g := (now - p.heard) / 60; dt < 20 && g > int32(p.gap) && p.sort == None {
			p.gap = uint8(min(g, 240))
		}
		p.heard = now
		if p.wrong != 0 { // good values take back what impossible ones said
			if p.wrong > 0 {
				p.wrong--
			} else {
				p.wrong++
			}
			if p.wrong == 0 {
				p.sort = None
			}
		}
		d := x - p.prev
		if d != 0 {
			if p.sort == Stuck {
				p.sort = None
			}
			if now-p.changed < 3600 {
				p.busy = true
			}
			p.changed = now
		}
		// Air and tubes have mass: no temperature moves so far, so fast.
		if !first && math.Abs(float64(d)) > 8+2.5*math.Min(dt, 20) {
			stepped[c], any = true, true
		}
		if math.Abs(float64(d)) > 3 {
			moved++
		}
		before[c], p.prev = p.prev, x
	}
	switch {
	case moved > 1 && dt < 20 && w.exchanged(r.Has, &before, now):
	case dt >= 20 && w.swapAt != 0 && w.exchangedBack(r.Has, &before):
	case any:
		w.steps(&stepped, &before, now)
	}
	w.stops(r, runs)
	if now-w.settled >= 120 {
		minutes := uint8(min((now-w.settled)/60, 20))
		w.settled = now
		w.settle(now)
		if !runs {
			w.labels(r, minutes)
		}
	}
}

// impossible takes a value that admission refused.
func (w *Watch) impossible(x *collector.Extra, now int32) {
	c, ok := collector.ChannelByName(x.Name)
	if !ok || c >= numTemps {
		return
	}
	p := &w.ch[c]
	p.heard = now
	if p.wrong == 0 {
		p.stepAt = now
	}
	if p.prev != 0 && math.Abs(x.Value-1.8*float64(p.prev)-32) < 4 { // a warm room in Fahrenheit is more than it can be
		p.wrong = min(max(p.wrong, 0)+1, 2*outWeight)
		p.sort = pick(p.wrong, Fahrenheit, p.sort)
		return
	}
	low, high := float64(c.Info().Min), float64(c.Info().Max)
	switch {
	case x.Text != "" || math.IsNaN(x.Value):
		p.wrong = -min(1+abs8(p.wrong), outWeight*2)
		p.sort = pick(p.wrong, OutOfRange, p.sort)
	case x.Value < low:
		p.wrong = max(min(p.wrong, 0)-1, -2*outWeight)
		p.sort = pick(p.wrong, Open, p.sort)
	case x.Value > high:
		p.wrong = min(max(p.wrong, 0)+1, 2*outWeight)
		p.sort = pick(p.wrong, Short, p.sort)
	}
}

func abs8(x int8) int8 {
	if x < 0 {
		return -x
	}
	return x
}

// pick is the new sort once there were enough of such readings.
func pick(wrong int8, s, was Sort) Sort {
	if abs8(wrong) >= outWeight {
		return s
	}
	return was
}

// steps looks at what channels did that moved further than heat can.
func (w *Watch) steps(stepped *[numTemps]bool, before *[numTemps]float32, now int32) {
	for c := range stepped {
		if !stepped[c] {
			continue
		}
		p := &w.ch[c]
		up := p.prev > before[c]
		back := up != p.up && now-p.stepAt <= leapBack // a tube that leaps at a start stays there
		if now-p.stepAt > leapsEnd {
			p.leaps = 0
		}
		p.up = up
		if p.sort == Swapped { // one of them went elsewhere
			w.ch[w.other.a].sort, w.ch[w.other.b].sort, w.swapAt = None, None, 0
		}
		p.stepAt = now
		if back {
			p.leaps = min(p.leaps+1, 100)
		}
		if p.leaps >= leapsLeast {
			p.sort = Erratic
			continue
		}
		switch want := 1.8*before[c] + 32; {
		case math.Abs(float64(p.prev-want)) < 3 && want-before[c] > scaleLeast:
			p.sort, p.celsius = Fahrenheit, 0
		case p.sort == Fahrenheit && math.Abs(float64(p.prev-(before[c]-32)/1.8)) < 3:
			p.sort, p.leaps = None, 0
		case p.prev < tooCold:
			p.sort = Open
		case p.prev > tooHot(collector.Channel(c)):
			p.sort = Short
		}
	}
}

// exchanged looks for two channels that took each other's values.
func (w *Watch) exchanged(has collector.ChannelSet, before *[numTemps]float32, now int32) (done bool) {
	for a := range (has & temps).All {
		for b := range (has & temps).All {
			p, q := &w.ch[a], &w.ch[b]
			apart := math.Abs(float64(before[a] - before[b]))
			slack := math.Max(1.5, 0.25*apart) // they move on meanwhile
			if b <= a || apart < 5 || math.Abs(float64(p.prev-before[b])) > slack || math.Abs(float64(q.prev-before[a])) > slack {
				continue
			}
			if p.sort == Swapped && q.sort == Swapped { // and back again
				p.sort, q.sort, w.swapAt = None, None, 0
				return true
			}
			p.sort, q.sort = Swapped, Swapped
			w.other.a, w.other.b, w.swapAt = uint8(a), uint8(b), now
			return true
		}
	}
	return false
}

// exchangedBack reports that the two swapped channels came back each with the other's
// values: the machine was silent while somebody plugged them right. It ends their swap.
func (w *Watch) exchangedBack(has collector.ChannelSet, before *[numTemps]float32) bool {
	a, b := w.other.a, w.other.b
	if !has.Has(collector.Channel(a)) || !has.Has(collector.Channel(b)) {
		return false
	}
	p, q := &w.ch[a], &w.ch[b]
	apart := before[a] - before[b]
	if p.sort != Swapped || q.sort != Swapped || math.Abs(float64(apart)) < 5 || (p.prev-q.prev)*apart > 0 {
		return false // the warmer is still the warmer
	}
	p.sort, q.sort, w.swapAt = None, None, 0
	return true
}

// labels looks, at rest, whether what came in Fahrenheit still does: a tube has then
// gone to the air beside it or to the room, of which the number in Fahrenheit is far
// higher. That the label was put right may have been in no reading: the machine is
// silent while somebody works on it.
func (w *Watch) labels(r *collector.Reading, minutes uint8) {
	for c := range (r.Has & temps).All {
		p := &w.ch[c]
		if p.sort != Fahrenheit {
			continue
		}
		least := float32(50) // no room is colder, °F
		switch c {
		case collector.CompressorShell:
			continue // warm in either
		case collector.SupplyAir, collector.CoilIn, collector.CoilOut:
			air, ok := r.Celsius(collector.CabinetAir)
			if !ok || w.ch[collector.CabinetAir].sort != None {
				continue
			}
			least = float32(air) + 8
		case collector.CabinetAir:
			least = 25 // what is kept in a cabinet is warmer, °F
		}
		if p.prev > least {
			p.celsius = 0
		} else if p.celsius += minutes; p.celsius >= relabelled {
			p.sort, p.leaps, p.celsius = None, 0, 0
		}
	}
}

// stops looks at the air at which the thermostat stops the compressor.
func (w *Watch) stops(r *collector.Reading, runs bool) {
	if w.ran && !runs && r.Has.Has(collector.CabinetAir) {
		p := &w.ch[collector.CabinetAir]
		switch x := r.Value[collector.CabinetAir]; {
		case x < 32 || x > 50:
			w.hot = 0
		default:
			if w.hot = min(w.hot+1, 100); w.hot >= hotStops && p.sort == None {
				p.sort = Fahrenheit
			}
		}
	}
	w.ran = runs
}

// settle ends what has passed and finds what no reading shows.
func (w *Watch) settle(now int32) {
	for c := range w.ch {
		p := &w.ch[c]
		if p.heard == 0 {
			continue
		}
		least := int32(stuckLeast)
		if collector.Channel(c) == collector.Ambient {
			least = stuckRoom
		}
		switch {
		case now-p.heard > max(goneLeast, 4*60*int32(p.gap)) && p.sort == None:
			p.sort = Open
		case p.sort == Open && now-p.heard < 120 && p.wrong == 0 && p.prev > tooCold, p.sort == Short && p.wrong == 0 && p.prev < tooHot(collector.Channel(c)):
			p.sort = None
		case p.sort == Erratic && now-p.stepAt > leapsEnd:
			p.sort, p.leaps = None, 0
		case p.sort == None && p.busy && now-p.changed > least:
			p.sort = Stuck
		}
	}
}

// Verdict is what is wrong with a sensor.
type Verdict struct {
	Channel collector.Channel
	Other   collector.Channel // Swapped: with which
	Sort    Sort
	Offset  float32          // K by which it reads too high; Drifting and Contradicts
	Value   float32          // its last value, °C
	Since   collector.Millis // event time
}

// severity orders the sorts: what is plainer is told first.
var severity = [numSorts]int{Fahrenheit: 9, Swapped: 8, Short: 7, Open: 6, OutOfRange: 5, Erratic: 4, Stuck: 3}

// Worst returns the plainest sign there is.
func (w *Watch) Worst() (v Verdict, ok bool) {
	best := 0
	for c := range w.ch {
		p := &w.ch[c]
		if severity[p.sort] <= best {
			continue
		}
		best = severity[p.sort]
		v = Verdict{Channel: collector.Channel(c), Sort: p.sort, Value: p.prev, Since: collector.Millis(p.stepAt) * 1000}
		switch p.sort {
		case Fahrenheit:
			if p.wrong > 0 { // refused: what was last taken is in °C
				v.Value = 1.8*p.prev + 32
			}
		case Stuck:
			v.Since = collector.Millis(p.changed) * 1000
		case Swapped:
			v.Channel, v.Other = collector.Channel(w.other.a), collector.Channel(w.other.b)
			v.Since = collector.Millis(w.swapAt) * 1000
		case Open, Short, OutOfRange:
			if v.Since == 0 {
				v.Since = collector.Millis(p.changed) * 1000
			}
		}
	}
	return v, best > 0
}

// Stepped returns the event time of a channel's last step, 0 if it never stepped.
func (w *Watch) Stepped(c collector.Channel) collector.Millis {
	if c >= numTemps {
		return 0
	}
	return collector.Millis(w.ch[c].stepAt) * 1000
}
