package feature

import (
	"math"

	"coilward/collector"
	"coilward/detect/forget"
)

// bins split the time since a start or stop; edges in minutes.
const bins = 4

var edges = [bins]float32{3, 7, 13, 25}

func binOf(minutes float64) int {
	for b := bins - 1; b >= 0; b-- {
		if minutes >= float64(edges[b]) {
			return b
		}
	}
	return -1
}

// profile is one quantity's well state by time since the last start or stop,
// and how it stands now against it. 100 bytes.
type profile struct {
	mean [bins]float32
	n    [bins]float32 // minutes of well life behind the mean, capped
	vari float32       // variance about the bin's mean
	nv   float32       // minutes behind the variance

	fast, fastW float32 // mean z of late, and the weight behind it
	slow, slowW float32
	raw         float32 // mean level of late, not standardised
	bin         int8
	ofKind      uint8 // bits of the bins whose well state began as the kind's; four higher, of those seen since
	offSince    int32 // Unix time since which it has stood off
	at          collector.Millis
}

const (
	fastTau  = 12.0     // min in the carrying state
	slowTau  = 5 * 60.0 // min
	capMean  = 20 * 600 // min of well life: the mean stops following after so much
	priorMin = 40.0     // min that a prior variance is worth
)

// observe takes a level x in bin b lasting dt minutes. floor is the standard
// deviation that the sensors and life leave at the least, between the spread
// between machines that the first hours stand on, well the probability that
// the machine is well, by which the well state learns.
func (p *profile) observe(x float64, b int, dt, well, floor float64, at collector.Millis) {
	f := float32(x)
	if p.n[b] == 0 {
		// What is guessed counts, or the first reading of a run longer than
		// any before would be taken for normal, and such runs are faults.
		p.mean[b], p.n[b] = p.start(b, f)
	}
	if p.ofKind != 0 {
		p.ofOwn(b)
	}
	r := float64(f - p.mean[b])
	s2 := p.variance(floor) * (1 + 15/(float64(p.n[b])+1))
	z := r / math.Sqrt(s2)
	zc := math.Max(-40, math.Min(40, z))

	kf := float32(forget.Share(dt, fastTau))
	p.fast += kf * (float32(zc) - p.fast)
	p.fastW += kf * (1 - p.fastW)
	p.raw += max(kf, 1/(1+p.fastW*20)) * (f - p.raw)
	ks := float32(forget.Share(dt, slowTau))
	p.slow += ks * (float32(math.Max(-8, math.Min(8, zc))) - p.slow)
	p.slowW += ks * (1 - p.slowW)
	p.at, p.bin = at, int8(b)
	if math.Abs(float64(p.fast)) < 2*float64(p.fastW) || p.offSince == 0 {
		p.offSince = int32(at / 1000)
	}

	// Learn, by how sure it is that this is the well machine, and never from
	// what stands far off: a slow fault must not become the new normal.
	w := dt * well
	if p.n[b] > 60 && math.Abs(z) > 4 {
		w *= 16 / (z * z)
	} else if p.ofKind&(1<<b) != 0 && p.n[b] <= 60 && math.Abs(z) > 2 {
		w *= 4 / (z * z) // it is not like its kind: who says that it is well?
	}
	if w <= 0 {
		return
	}
	p.n[b] = min(p.n[b]+float32(w), capMean)
	p.mean[b] += min(float32(w)/max(p.n[b], 1e-9), 1) * (f - p.mean[b])
	p.nv = min(p.nv+float32(w), capMean)
	rr := min(float32(r*r), float32(16*s2))
	p.vari += float32(w) / (p.nv + priorMin) * (rr - p.vari)
}

// start guesses an unseen bin from its nearest earlier neighbour, and how many
// minutes the guess is worth.
func (p *profile) start(b int, x float32) (mean, n float32) {
	for d := 1; b-d >= 0; d++ {
		if p.n[b-d] > 10 {
			return p.mean[b-d], min(p.n[b-d], 8)
		}
	}
	return x, 0
}

func (p *profile) variance(floor float64) float64 {
	prior := 2.25 * floor * floor
	v := (float64(p.vari)*(float64(p.nv)+priorMin) + prior*priorMin) / (float64(p.nv) + 2*priorMin)
	return math.Max(v, floor*floor)
}

// commonest returns the bin with most well life behind it.
func (p *profile) commonest() int {
	best := 0
	for b := range p.n {
		if p.n[b] > p.n[best] {
			best = b
		}
	}
	return best
}

// learnt returns the minutes of well life behind the profile.
func (p *profile) learnt() float64 {
	var n float32
	for _, k := range p.n {
		n = max(n, k)
	}
	return float64(n)
}

// scalar is a quantity's well state without a profile.
type scalar struct{ mean, vari, n float32 }

func (s *scalar) learn(x, w, cap float64) {
	if w <= 0 {
		return
	}
	if s.n == 0 {
		s.mean = float32(x)
	}
	s.n = min(s.n+float32(w), float32(cap))
	d := float32(x) - s.mean
	s.mean += float32(w) / s.n * d
	s.vari += float32(w) / (s.n + 3) * (d*d - s.vari)
}

func (s *scalar) z(x, floor float64) float64 {
	v := float64(s.vari) + floor*floor*(1+3/(float64(s.n)+0.5))
	return (x - float64(s.mean)) / math.Sqrt(v)
}
