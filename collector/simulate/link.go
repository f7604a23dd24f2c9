package simulate

import (
	"math"
	"math/rand/v2"
	"strconv"

	"coilward/collector"
)

// Message is one MQTT message.
type Message struct {
	Received float64 // s since the start of the simulation, broker's clock
	Machine  string
	Topic    string
	Payload  []byte // SenML JSON, or the bare word of a status topic
	Status   bool   // retained status
}

// Link is how a machine's readings reach the broker.
type Link struct {
	Loss, Dup, Late, Latency, Clock float64
	Batch                           int
	Store, OnePack, LastWill        bool
	Relative, Kelvin, Milli, Frac   bool
	Prefix                          string
	Battery                         bool
	down                            [][2]float64 // s
	rng                             *rand.Rand
	pending                         []instant
	held                            bool
	sent                            int
	offline                         bool
	lostAt                          float64
}

type instant struct {
	at  float64 // true time, s
	has collector.ChannelSet
	v   [collector.NumChannels]float64
}

func drawLink(r *rand.Rand, id string, site [][2]float64, days float64) *Link {
	l := &Link{Loss: between(r, 0, 0.015), Dup: between(r, 0, 0.008), Late: between(r, 0, 0.005), Latency: between(r, 0.1, 3), Batch: 1,
		Store: r.Float64() < 0.6, OnePack: r.Float64() < 0.4, LastWill: r.Float64() < 0.85, Battery: r.Float64() < 0.4,
		rng: rand.New(rand.NewPCG(r.Uint64(), r.Uint64())), lostAt: -1}
	if r.Float64() < 0.1 {
		l.Loss = between(r, 0.02, 0.12)
	}
	if r.Float64() < 0.08 {
		l.Batch = 2 + r.IntN(9)
	}
	l.Clock = 3 * r.NormFloat64()
	if r.Float64() < 0.1 {
		l.Clock = between(r, -90, 90)
	}
	l.Relative, l.Kelvin, l.Milli, l.Frac = r.Float64() < 0.04, r.Float64() < 0.05, r.Float64() < 0.06, r.Float64() < 0.08
	switch x := r.Float64(); {
	case x < 0.7:
		l.Prefix = id + "/"
	case x < 0.8:
		l.Prefix = "dev/" + id + "/"
	}
	l.down = append(l.down, site...)
	for range int(days) {
		if r.Float64() < 0.12 {
			at := r.Float64() * days * 86400
			l.down = append(l.down, [2]float64{at, at + spread(r, 900, 1.1)})
		}
	}
	return l
}

// up reports whether messages pass at t.
func (l *Link) up(t float64) bool {
	for _, d := range l.down {
		if t >= d[0] && t < d[1] {
			return false
		}
	}
	return true
}

func (m *Machine) send(t float64, list []instant, out *[]Message) {
	l := m.Link
	delay := l.Latency * l.rng.ExpFloat64()
	late, lost, dup := l.rng.Float64(), l.rng.Float64(), l.rng.Float64()
	if late < l.Late {
		delay += 60 * spread(l.rng, 8, 0.8)
	}
	if lost < l.Loss {
		return
	}
	msg := Message{Received: t + delay, Machine: m.ID, Topic: m.topic, Payload: m.encode(t+delay, list)}
	*out = append(*out, msg)
	if dup < l.Dup {
		msg.Received += 1 + 20*l.rng.Float64()
		if !l.Relative {
			*out = append(*out, msg)
		}
	}
}

func (m *Machine) status(t float64, online bool, out *[]Message) {
	word := "offline"
	if online {
		word = "online"
	}
	*out = append(*out, Message{Received: t, Machine: m.ID, Topic: m.statusTopic, Payload: []byte(word), Status: true})
}

// report takes one instant measured at t. ok is false when the machine's
// electronics are dark.
func (m *Machine) report(t float64, in instant, ok bool, out *[]Message) {
	l := m.Link
	through := ok && l.up(t) && !m.silent(t)
	if !through {
		if l.lostAt < 0 {
			l.lostAt = t
		}
		if !l.offline && l.LastWill && t-l.lostAt > 90 {
			l.offline = true
			m.status(l.lostAt+90+5*l.rng.Float64(), false, out)
		}
		if ok && l.Store && len(l.pending) < 20000 {
			l.pending = append(l.pending, in)
			l.held = true
		}
		return
	}
	if l.lostAt >= 0 || l.sent == 0 {
		if l.offline || l.sent == 0 {
			m.status(t, true, out)
		}
		l.lostAt, l.offline = -1, false
	}
	l.sent++
	if l.held { // what was kept goes first, in packs
		l.held = false
		n := 1
		if l.OnePack {
			n = 120
		}
		for i := 0; i < len(l.pending); i += n {
			m.send(t+float64(i/n)*0.2, l.pending[i:min(i+n, len(l.pending))], out)
		}
		l.pending = l.pending[:0]
	}
	l.pending = append(l.pending, in)
	if len(l.pending) >= l.Batch {
		m.send(t, l.pending, out)
		l.pending = l.pending[:0]
	}
}

// encode writes one SenML pack.
func (m *Machine) encode(now float64, list []instant) []byte {
	l := m.Link
	b := append(make([]byte, 0, 64+360*len(list)), '[')
	clock := m.start + l.Clock
	base := 0.0
	if !l.Relative {
		base = math.Floor(clock + list[0].at)
		if l.Frac {
			base = math.Round((clock+list[0].at)*10) / 10
		}
	}
	first := true
	for i := range list {
		in := &list[i]
		t := 0.0
		switch {
		case l.Relative:
			t = math.Round(in.at - now)
			t = math.Min(0, t)
		case i > 0:
			t = math.Round(in.at - list[0].at)
		}
		for ch := range in.has.All {
			if !first {
				b = append(b, ',')
			}
			b = append(b, '{')
			if first {
				if l.Prefix != "" {
					b = append(b, `"bn":"`...)
					b = append(b, l.Prefix...)
					b = append(b, `",`...)
				}
				if !l.Relative {
					b = append(b, `"bt":`...)
					b = strconv.AppendFloat(b, base, 'f', -1, 64)
					b = append(b, ',')
				}
				first = false
			}
			b = append(b, `"n":"`...)
			b = append(b, ch.String()...)
			b = append(b, '"')
			if t != 0 {
				b = append(b, `,"t":`...)
				b = strconv.AppendFloat(b, t, 'f', -1, 64)
			}
			b = m.value(b, ch, in.v[ch])
			b = append(b, '}')
		}
	}
	return append(b, ']')
}

func (m *Machine) value(b []byte, ch collector.Channel, v float64) []byte {
	l := m.Link
	if ch.IsBool() {
		return strconv.AppendBool(append(b, `,"vb":`...), v > 0.5)
	}
	unit, digits := ch.Info().Unit, 2
	switch {
	case ch.IsTemperature() && l.Kelvin:
		unit, v = "K", v+273.15
	case unit == "A" && l.Milli:
		unit, v, digits = "mA", v*1000, 0
	case ch == collector.Energy:
		digits = 0
	}
	b = append(b, `,"u":"`...)
	b = append(b, unit...)
	b = append(b, `","v":`...)
	p := math.Pow(10, float64(digits))
	v = math.Round(v*p) / p
	if v == 0 {
		v = 0 // no negative zero
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}
