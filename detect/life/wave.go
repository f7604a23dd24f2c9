package life

import (
	"math"

	"coilward/collector"
)

// A heat wave is a day whose mean ambient stands so far above the mean of the
// days before: by so much at least, and by so many standard deviations of them.
const (
	waveLeast = 3.0 // K
	waveSDs   = 2.2
	waveOver  = 0.5 // of the excess, below which it is over
	waveDays  = 2.5 // days that must have been seen before
	quarter   = 6 * 3600
)

// wave keeps the ambient's mean of the last four quarters of a day, so that the
// hour does not matter.
type wave struct {
	sum, minutes float32 // of this quarter; minutes the sum of weights
	quarters     [4]float32
	have         uint8
	now          seconds // start of this quarter
	normal, vari float32 // of day means
	n            float32 // quarters behind them, capped
	highest      float32
}

func (b *Book) weather(m *moment) {
	w := &b.wave
	x := float32(m.Reading.Value[collector.Ambient])
	if x < -30 || x > 70 {
		return
	}
	dt := min(max(m.dt, 0.1), longest)
	q := m.at / quarter * quarter
	if w.now == 0 {
		w.now = q
	}
	if q != w.now {
		b.quarterOver(m)
		w.now = q
	}
	w.sum += x * dt
	w.minutes += dt
	if x > w.highest {
		w.highest = x
	}
	if e := b.Lasting(HeatWave); e != nil {
		e.A = max(e.A, x)
	}
}

func (b *Book) quarterOver(m *moment) {
	w := &b.wave
	if w.minutes < 90 {
		w.have, w.sum, w.minutes = 0, 0, 0
		return
	}
	copy(w.quarters[:], w.quarters[1:])
	w.quarters[3] = w.sum / w.minutes
	w.sum, w.minutes = 0, 0
	high := w.highest
	w.highest = -100
	if w.have = min(w.have+1, 4); w.have < 4 {
		return
	}
	day := (w.quarters[0] + w.quarters[1] + w.quarters[2] + w.quarters[3]) / 4
	e := b.Lasting(HeatWave)
	sd := float32(math.Sqrt(float64(w.vari)))
	need := max(waveLeast, waveSDs*sd)
	if w.n >= waveDays*4 {
		switch excess := day - w.normal; {
		case e == nil && excess > need:
			// The day that ends now; before it the mean was lower.
			b.add(Event{Kind: HeatWave, from: m.at - 18*3600, A: high, B: w.normal})
			return
		case e != nil && (excess < waveOver*need || m.at-e.from > 12*86400):
			e.to = w.now
		case e != nil:
			return // it must not become the normal
		}
	}
	w.n = min(w.n+1, 40)
	d := day - w.normal
	if w.n == 1 {
		w.normal = day
		return
	}
	w.normal += d / w.n
	w.vari += (d*d - w.vari) / w.n
}
