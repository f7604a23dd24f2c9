package assess

import (
	"slices"

	"coilward/detect"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

// Figures are how good the findings about some fleets were.
type Figures struct {
	All     Block // every episode that had a measurable effect
	Cooling Block // without silence, sensors and supply
	ByFault [fault.Num]Block
	BySet   map[string]Block

	Mild, MildNoticed int // episodes without a measurable effect
	False             FalseAlarms
	Forecast          Forecast
	Brier             float64 // of the probability at the raise
	Reliability       [5]Bin  // by the probability said: 0–0.2, 0.2–0.4, …
	Ended             int     // episodes that ended and had been noticed
	ClearedInTime     int     // and were cleared within 6 h
	ClearedEarly      int     // findings cleared while the fault was there
}

// Block is the figures of some episodes.
type Block struct {
	Episodes, Noticed, NoticedUrgent, Named int
	WithLimit, BeforeLimit                  int
	Raises                                  int

	// Window is the share of the time from the onset to the product's limit
	// that was left at the raise, 0 if late or never; FromEffect is the same
	// from the first measurable effect. Sorted.
	Window, FromEffect []float64
	Lead               []float64 // hours left at the raise, of those in time; sorted
	Behind             []float64 // hours from the effect to the raise, of all noticed; sorted
	Delay              []float64 // hours from the effect to the raise where the product never spoils; sorted

	AtRaise, Later Names // of the noticed
}

// Names counts right names.
type Names struct{ First, Two, FirstStrict, TwoStrict int }

func (n *Names) add(v verdict) {
	for _, c := range []struct {
		is bool
		n  *int
	}{{v.first, &n.First}, {v.two, &n.Two}, {v.firstStrict, &n.FirstStrict}, {v.twoStrict, &n.TwoStrict}} {
		if c.is {
			*c.n++
		}
	}
}

// FalseAlarms are urgent findings with nothing to notice, each at the moment it
// first became urgent.
type FalseAlarms struct {
	Urgent      int
	Any         int
	MachineDays float64 // without a fault
	Machines    int
	ByFault     [fault.Num]int
	BySet       map[string]int
	DaysBySet   map[string]float64
	After       map[string]int // by the ordinary event that went before
}

// Forecast is how far off the time of the limit was, as it was said at the
// raise; of episodes noticed before it.
type Forecast struct {
	Episodes, Given, Optimistic int
	Error, LastError            []float64 // h, absolute, sorted; LastError half an hour before the limit
	Needless                    int       // given though the product never left its limit
}

// Bin is the findings that were said with about the same probability.
type Bin struct {
	Findings, Right int
	Said            float64 // sum of the probabilities
}

// Quantile returns the q quantile of sorted values, interpolated linearly
// between order statistics (definition 7 of Hyndman and Fan, The American
// Statistician 50, 1996); ok is false if there are none.
func Quantile(sorted []float64, q float64) (v float64, ok bool) {
	if len(sorted) == 0 {
		return 0, false
	}
	k := float64(len(sorted)-1) * q
	a := int(k)
	b := min(a+1, len(sorted)-1)
	return sorted[a] + (sorted[b]-sorted[a])*(k-float64(a)), true
}

// Case is a fleet and what was said of it, in order of time.
type Case struct {
	Truth *truth.Fleet
	Words []Word
}

// Of works the figures out over some fleets.
func Of(cases ...Case) *Figures {
	f := &Figures{BySet: map[string]Block{}}
	f.False.After, f.False.BySet, f.False.DaysBySet = map[string]int{}, map[string]int{}, map[string]float64{}
	var brier brierSum
	for _, c := range cases {
		f.fleet(c, &brier)
	}
	if brier.n > 0 {
		f.Brier = brier.sum / float64(brier.n)
	}
	for _, b := range f.blocks() {
		b.sort()
	}
	for set, b := range f.BySet {
		b.sort()
		f.BySet[set] = b
	}
	slices.Sort(f.Forecast.Error)
	slices.Sort(f.Forecast.LastError)
	return f
}

func (f *Figures) blocks() []*Block {
	b := []*Block{&f.All, &f.Cooling}
	for i := range f.ByFault {
		b = append(b, &f.ByFault[i])
	}
	return b
}

func (b *Block) sort() {
	for _, v := range [][]float64{b.Window, b.FromEffect, b.Lead, b.Behind, b.Delay} {
		slices.Sort(v)
	}
}

func (f *Figures) fleet(c Case, brier *brierSum) {
	stories := map[string]story{}
	var order []string
	for _, w := range c.Words {
		if stories[w.Finding] == nil {
			order = append(order, w.Finding)
			w.Change = detect.Raised
		}
		stories[w.Finding] = append(stories[w.Finding], w)
	}
	byMachine := map[string][]story{}
	for _, id := range order {
		h := stories[id]
		slices.SortStableFunc(h, func(a, b Word) int {
			switch {
			case a.At < b.At:
				return -1
			case a.At > b.At:
				return 1
			}
			return 0
		})
		byMachine[h[0].Machine] = append(byMachine[h[0].Machine], h)
	}
	end := c.Truth.End()
	for i := range c.Truth.Machines {
		m := &c.Truth.Machines[i]
		of := byMachine[m.Machine]
		episodes := make([]*episode, len(m.Episodes))
		for j := range m.Episodes {
			t := &m.Episodes[j]
			episodes[j] = &episode{Episode: t, machine: m, end: t.End(end)}
		}
		for _, e := range episodes {
			e.follow(of, episodes)
			f.episode(e)
		}
		f.falseAlarms(m, of, episodes, end)
		f.calibrate(m, of, episodes, brier)
	}
}

func (f *Figures) episode(e *episode) {
	if e.Material == nil {
		f.Mild++
		if len(e.raised) > 0 {
			f.MildNoticed++
		}
		return
	}
	f.All.add(e)
	f.ByFault[e.Fault].add(e)
	if e.Fault != fault.Silent && e.Fault != fault.SensorFault && e.Fault != fault.PowerLost {
		f.Cooling.add(e)
	}
	b := f.BySet[setOf(e.machine)]
	b.add(e)
	f.BySet[setOf(e.machine)] = b
	f.forecast(e)
	if e.Ended != nil && len(e.raised) > 0 {
		f.Ended++
		if e.clearedInTime {
			f.ClearedInTime++
		}
	}
	f.ClearedEarly += e.clearedEarly
}

func (b *Block) add(e *episode) {
	b.Episodes++
	at, noticed := e.raisedAt()
	if noticed {
		b.Noticed++
		b.AtRaise.add(e.atRaise)
		b.Later.add(e.later)
		if !e.Preexisting {
			b.Behind = append(b.Behind, max(0, at-*e.Material)/hour)
		}
	}
	if e.urgent {
		b.NoticedUrgent++
	}
	if e.named != nil {
		b.Named++
	}
	b.Raises += len(e.raised)
	if e.Limit == nil {
		if noticed && !e.Preexisting && !e.LimitShared && !e.OutAtOnset {
			b.Delay = append(b.Delay, max(0, at-*e.Material)/hour)
		}
		return
	}
	b.WithLimit++
	if e.inTime() {
		b.BeforeLimit++
	}
	if e.Preexisting || *e.Limit <= e.Onset+60 {
		return
	}
	left := func(from float64) float64 {
		if !noticed {
			return 0
		}
		return min(1, max(0, (*e.Limit-at)/(*e.Limit-from)))
	}
	b.Window = append(b.Window, left(e.Onset))
	if *e.Limit > *e.Material+60 {
		b.FromEffect = append(b.FromEffect, left(*e.Material))
	}
	if e.inTime() {
		b.Lead = append(b.Lead, (*e.Limit-at)/hour)
	}
}
