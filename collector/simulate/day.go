package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"coilward/collector/fleet"
)

// Weather is one site's outdoor air, hour by hour.
type Weather struct {
	Temp  []float64 // °C
	Dew   []float64 // °C
	Waves [][2]float64
}

// DrawWeather draws days of weather; local noon is at noon s of the day.
func DrawWeather(r *rand.Rand, days int, noon float64) *Weather {
	n := days*24 + 2
	w := &Weather{Temp: make([]float64, n), Dew: make([]float64, n)}
	mean, amp := between(r, 14, 26), between(r, 3, 8)
	for range 2 {
		if r.Float64() < 0.6 {
			w.Waves = append(w.Waves, [2]float64{between(r, 1, float64(days)), between(r, 4, 10)})
		}
	}
	slow, dew := 0.0, between(r, 6, 16)
	damp := 0.0
	for h := range n {
		t := float64(h) * 3600
		slow += -slow/40 + 0.5*r.NormFloat64()
		damp += -damp/50 + 0.5*r.NormFloat64()
		x := mean + slow + amp*math.Cos(2*math.Pi*(t-noon-3*3600)/86400)
		for _, v := range w.Waves {
			d := (t/86400 - v[0]) / 1.1
			x += v[1] * math.Exp(-d*d)
		}
		w.Temp[h] = x
		w.Dew[h] = math.Min(dew+damp, x-0.5)
	}
	return w
}

func (w *Weather) at(v []float64, t float64) float64 {
	h := t / 3600
	i := int(h)
	if i < 0 {
		return v[0]
	}
	if i >= len(v)-1 {
		return v[len(v)-1]
	}
	f := h - float64(i)
	return v[i]*(1-f) + v[i+1]*f
}

// event is something people or the mains do to a machine.
type event struct {
	at, until float64 // s
	kind      eventKind
	a, b, c   float64
}

type eventKind uint8

const (
	opening  eventKind = iota // a door, or a vend's flap of a m³ a time
	restock                   // a: share, b: °C, c: to the far node
	cleaning                  // a: s without the plug
	blip                      // supply away
	turned                    // a: K from now on
	service                   // door open by whoever repairs
)

// Place is a machine's surroundings and people, drawn beforehand.
type Place struct {
	weather         *Weather
	base, follow    float64 // °C indoors; share of the outdoor swing that is felt
	swing           float64 // K between day and night indoors
	dry             float64 // K taken from the dew point indoors
	volts, sag      float64
	noise           float64
	offset          float64 // s from UTC to local time
	open, shut      float64 // local hours
	nightFrom       float64 // local hour
	nightTo         float64
	curtain, lights bool
	vend            bool
	events          []event
	next            int
	active          []event
	turnedBy        float64
	room, humidity  float64
	roomAt          float64
	rng             *rand.Rand
	voltNow         float64
}

// drawPlace draws what days days bring to a machine of design d.
func drawPlace(r *rand.Rand, d *Design, w *Weather, days int, offset float64, blips []event) *Place {
	p := &Place{weather: w, base: between(r, 19, 27), follow: between(r, 0, 0.25), swing: between(r, 0, 2.5), dry: between(r, 0, 4),
		volts: d.Volts * between(r, 0.95, 1.06), sag: between(r, 0, 0.03), noise: between(r, 0.001, 0.008), offset: offset, open: between(r, 5, 9),
		shut: between(r, 16, 23), lights: d.LightsOffAtNight, curtain: d.Curtain, roomAt: -1, rng: rand.New(rand.NewPCG(r.Uint64(), r.Uint64()))}
	p.nightFrom, p.nightTo = math.Mod(p.shut+between(r, 0, 2), 24), p.open-between(r, 0, 1.5)
	if r.Float64() < 0.22 { // a shed, a platform, a workshop
		p.follow = between(r, 0.5, 0.95)
	}
	p.vend = d.Kind <= fleet.GlassFrontVendor
	perDay, length, volume := between(r, 15, 260), between(r, 6, 22), 0.0
	if p.vend {
		perDay, volume = between(r, 15, 130), d.Volume*between(r, 0.01, 0.08)
	}
	if d.Kind == fleet.OpenFront {
		perDay = 0
	}
	horizon := float64(days) * 86400
	if perDay > 0 {
		for t := 0.0; t < horizon; {
			t += r.ExpFloat64() * 86400 / (perDay * 2.2)
			if r.Float64() < p.busy(t) {
				p.events = append(p.events, event{at: t, until: t + spread(r, length, 0.5), kind: opening, a: volume})
			}
		}
	}
	every := between(r, 1.5, 7) * 86400
	for t := r.Float64() * every; t < horizon; t += every * between(r, 0.6, 1.4) {
		day := math.Floor((t+offset)/86400)*86400 - offset
		at := day + between(r, p.open, p.open+7)*3600
		share := between(r, 0.04, 0.32)
		if r.Float64() < 0.1 { // all but sold out
			share = between(r, 0.32, 0.85)
		}
		p.events = append(p.events, event{at: at, until: at + 60*between(r, 4, 24), kind: restock, a: share, b: between(r, 6, 27), c: r.Float64()})
	}
	for range days {
		if r.Float64() < 0.05 {
			at := r.Float64() * horizon
			stop := 60 * between(r, 12, 75)
			p.events = append(p.events, event{at: at, until: at + stop, kind: cleaning, a: stop})
		}
	}
	if r.Float64() < 0.08 {
		p.events = append(p.events, event{at: r.Float64() * horizon, until: math.Inf(1), kind: turned, a: between(r, -1.2, 1.2)})
	}
	p.events = append(p.events, blips...)
	p.sortEvents()
	return p
}

// visitEnd returns when people who came to the machine for one of some reasons went
// away, s: the first time after t, or, if they came no more, the last before; ok is
// false if they never came.
func (p *Place) visitEnd(t float64, kinds ...eventKind) (at float64, ok bool) {
	for _, ev := range p.events {
		if slices.Contains(kinds, ev.kind) {
			at, ok = ev.until, true
			if at > t {
				break
			}
		}
	}
	return at, ok
}

func (p *Place) sortEvents() {
	sort.SliceStable(p.events, func(i, j int) bool { return p.events[i].at < p.events[j].at })
}

// busy returns how likely people are at t, 0..1.
func (p *Place) busy(t float64) float64 {
	h := math.Mod((t+p.offset)/3600, 24)
	if h < p.open || h > p.shut {
		return 0.03
	}
	x := (h - 12.3) / 1.4
	return 0.35 + 0.6*math.Exp(-x*x)
}

func insideHours(h, from, to float64) bool {
	if from <= to {
		return h >= from && h < to
	}
	return h >= from || h < to
}

// World fills w for the step that begins at t s.
func (p *Place) World(w *World, t float64) {
	if t >= p.roomAt+60 || p.roomAt < 0 {
		p.roomAt = t
		h := math.Mod((t+p.offset)/3600, 24)
		out := p.weather.at(p.weather.Temp, t)
		p.room = p.base + p.follow*(out-p.base) + p.swing*0.5*math.Cos(2*math.Pi*(h-15)/24)
		dew := math.Min(p.weather.at(p.weather.Dew, t)-p.dry, p.room-1)
		p.humidity = satHumidity(dew)
		p.voltNow = p.volts*(1-p.sag*math.Exp(-(h-17)*(h-17)/8)) + p.volts*p.noise*p.rng.NormFloat64()
	}
	h := math.Mod((t+p.offset)/3600, 24)
	night := insideHours(h, p.nightFrom, p.nightTo)
	*w = World{Room: p.room, Humidity: p.humidity, Volts: p.voltNow, Power: true, Night: night, Light: !(p.lights && night), Curtain: p.curtain && night, Turned: p.turnedBy}
	for p.next < len(p.events) && p.events[p.next].at < t+stepSeconds {
		ev := p.events[p.next]
		p.next++
		switch ev.kind {
		case turned:
			p.turnedBy += ev.a
			continue
		case opening:
			if ev.a > 0 {
				w.Exchange += ev.a
				continue
			}
		}
		p.active = append(p.active, ev)
	}
	keep := p.active[:0]
	for _, ev := range p.active {
		share := math.Max(0, math.Min(ev.until, t+stepSeconds)-math.Max(ev.at, t)) / stepSeconds
		switch ev.kind {
		case opening, service:
			w.Door += share
		case restock:
			w.Door += share
			w.Refill += ev.a * share * stepSeconds / (ev.until - ev.at)
			w.Warm, w.Far = ev.b, ev.c
		case cleaning:
			w.Power = false
			w.Door += 0.6 * share
		case blip:
			w.Power = false
		}
		if ev.until > t+stepSeconds {
			keep = append(keep, ev)
		}
	}
	p.active = keep
	w.Door = math.Min(1, w.Door)
}

// localOffset returns s from UTC to local time at t.
func localOffset(zone *time.Location, t time.Time) float64 {
	_, o := t.In(zone).Zone()
	return float64(o)
}
