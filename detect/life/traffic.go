package life

import "math"

// trafficTau is the time over which openings are counted, min; usualTau that
// over which the machine's own mean rate is learned.
const (
	trafficTau = 45.0
	usualTau   = 3 * 1440.0
)

// traffic counts openings. Seen once a minute, an opening of ten seconds is seen
// one time in six: what is counted is openings seen, and so is the mean.
type traffic struct {
	count   float32 // openings, fading with trafficTau
	mean    float32 // openings an hour, over days
	weight  float32 // of the mean, 0..1
	busy    int16   // openings since the busy hours began
	open    bool
	started bool
}

// traffic follows the door. For a Poisson stream of rate λ a count that fades
// with τ has mean λτ and variance λτ/2.
func (b *Book) traffic(m *moment) {
	t := &b.door
	opened := m.doorIsOpen && !t.open && t.started
	t.open, t.started = m.doorIsOpen, true
	if !m.interval {
		return
	}
	t.count *= 1 - min(m.dt/trafficTau, 1)
	k := min(m.dt/usualTau, 1)
	seen := float32(0)
	if opened {
		t.count++
		seen = 1
	}
	t.weight += k * (1 - t.weight)
	t.mean += k / max(t.weight, 1e-6) * (seen*60/m.dt - t.mean)
	usual := t.mean * trafficTau / 60
	e := b.Lasting(DoorTraffic)
	switch sd := float32(math.Sqrt(float64(usual / 2))); {
	case e == nil && t.weight > 0.25 && t.count > usual+3.5*sd+1.5:
		from := m.at - seconds(trafficTau*60)
		t.busy = int16(t.count + 0.5)
		b.add(Event{Kind: DoorTraffic, from: from, A: t.count, B: t.mean})
	case e != nil:
		if opened && t.busy < math.MaxInt16 {
			t.busy++
		}
		e.A = float32(t.busy)
		if t.count < usual+0.7*sd+0.3 || m.at-e.from > 14*3600 {
			e.to = m.at
		}
	}
}
