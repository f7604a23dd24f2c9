package detect

import (
	"fmt"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect/fault"
)

// silentAfter is how long nothing must be heard before it is said: long enough
// for a router to restart, and several intervals of a slow machine.
func (m *Machine) silentAfter() collector.Millis {
	d := collector.Millis(25 * 60000)
	if m.s.Spacing == 0 {
		d = firstReadings
	}
	d = max(d, collector.Millis(m.s.Interval*8*1000), collector.Millis(m.s.Spacing*3*1000))
	if m.s.Offline {
		d = 20 * 60000 // the broker itself saw the machine go
	}
	return d
}

// Most silences are over before anybody could drive there: a machine unplugged to be
// cleaned, a router that is updated. The product can wait for longer than it takes to
// be sure, so this part of the time it would hold without cooling is waited, but for
// no longer than a cleaning takes (common practice, no source).
const (
	waitedOfHold  = 0.25
	cleaningTakes = 45 * 60000
)

// patience is for how long a silence may be waited out for the product's sake, ms. That
// a machine in trouble is watched no more is said at once.
func (m *Machine) patience() collector.Millis {
	s := &m.s
	if s.Open[slotMachine].Is || s.Track.NoSupplyMinutes() > 0 || !s.Product.Known() {
		return 0
	}
	o := open{Since: s.Heard, Fault: fault.PowerLost, NumCand: 1}
	o.Cand[0] = held{1, fault.PowerLost}
	m.forecast(&o, s.Heard)
	if o.LimitAt == 0 {
		return cleaningTakes // it would hold for longer than is looked ahead
	}
	return min(collector.Millis(waitedOfHold*float64(o.LimitAt-s.Heard)), cleaningTakes)
}

// firstReadings is the longest that a machine which has spoken once may gather readings
// before it speaks again: 10 readings 5 min apart, and some more.
const firstReadings = 60 * 60000

// pause is how long nothing may be heard of a machine that speaks again: five minutes,
// or longer if it gathers its readings for longer.
func (m *Machine) pause() collector.Millis {
	return max(5*60000, collector.Millis(m.s.Interval*3*1000), collector.Millis(m.s.Spacing*2*1000))
}

// heard notes that the machine has spoken.
func (m *Machine) heard(r *collector.Reading, emit func(*Finding)) {
	s := &m.s
	if r.Status == collector.Offline {
		return // that is the broker speaking
	}
	if quiet := s.Now - s.Heard; s.Heard != 0 && quiet > 0 {
		if quiet >= lastLink {
			m.silenceOver(s.Heard, s.Now)
		}
		// How far apart its messages come: the first says it by how old its first
		// reading is, too. Later, one long silence says little of that.
		if gap := float32(quiet) / 1000; s.Spacing == 0 {
			s.Spacing = min(max(gap, float32(s.Now-r.At)/1000), firstReadings/1000)
		} else {
			s.Spacing += 0.1 * (min(gap, 3*s.Spacing+300) - s.Spacing)
		}
	}
	s.Heard = s.Now
	if r.Status == collector.NoStatus {
		s.Offline = false
	}
}

// Advance lets pipeline time pass without a reading: what is noticed by its
// absence is noticed here. Call it at least once a minute of pipeline time.
func (m *Machine) Advance(now collector.Millis, emit func(*Finding)) {
	s := &m.s
	s.Now = max(s.Now, now)
	if s.Heard == 0 {
		return
	}
	o := &s.Open[slotSilence]
	quiet := s.Now - s.Heard
	switch {
	case !o.Is && quiet >= m.silentAfter() && quiet >= m.patience():
		*o = open{Is: true, RaisedAt: s.Now, Since: s.Heard, Serial: s.Serial}
		s.Serial++
		m.describeSilence(o)
		m.say(o, Raised, emit)
	case o.Is && quiet < m.pause() && s.Heard-o.Since > 0:
		if o.QuietFrom == 0 {
			o.QuietFrom = s.Now
		}
		if s.Now-o.QuietFrom >= max(20*60000, m.pause()) {
			m.say(o, Cleared, emit)
			*o = open{}
		}
	case o.Is:
		o.QuietFrom = 0
		// The longer nothing is heard, the less a passing trouble explains it.
		if age := s.Now - o.RaisedAt; o.Seq == 1 && age > 90*60000 || o.Seq == 2 && age > 8*3600000 {
			m.describeSilence(o)
			m.say(o, Revised, emit)
		}
	}
}

// describeSilence weighs a dead link against a dead machine by the last words.
func (m *Machine) describeSilence(o *open) {
	s := &m.s
	power := 0.25 // of silences, the share that is the supply (from memory)
	if s.Track.NoSupplyMinutes() > 0 {
		power = 0.9
	}
	o.Fault = fault.Silent
	a, b := held{float32(1 - power), fault.Silent}, held{float32(power), fault.PowerLost}
	if power > 0.5 {
		a, b = b, a
		o.Fault = fault.PowerLost
	}
	o.Cand[0], o.Cand[1], o.NumCand = a, b, 2
	o.Silence, o.SilenceInterval, o.SilenceWill = true, s.Interval, s.Offline
	if s.Product.Known() {
		mid, _, _ := s.Product.Estimate()
		o.HasProduct, o.Product = true, float32(quantity.Celsius(mid))
	}
	if power > 0.5 {
		m.forecast(o, s.At)
	}
}

func (o *open) silenceWords() []Evidence {
	text := "nothing heard since " + o.Since.Time().Format("15:04 UTC")
	if o.SilenceInterval >= 1 { // of one that was hardly heard nobody knows
		text += fmt.Sprintf("; it used to report every %.0f s", o.SilenceInterval)
	}
	e := []Evidence{{Text: text, Since: o.Since, Weight: 3}}
	if o.Fault == fault.PowerLost { // said by the last words alone; see describeSilence
		e = append([]Evidence{{
			Text:    "the last readings had no sign of mains supply",
			Channel: collector.MainsVoltage, Since: o.Since, Weight: 3.3, // ln of 0.9 to 0.1 over 0.25 to 0.75
		}}, e...)
	}
	if o.Fault == fault.Silent {
		text := "the last readings had no sign of a lost supply"
		if o.HasProduct {
			text += fmt.Sprintf("; the product was at about %.1f °C", o.Product)
		}
		e = append(e, Evidence{Text: text, Since: o.Since, Weight: 1.1}) // ln of 0.75 to 0.25
	}
	if o.SilenceWill {
		e = append(e, Evidence{Text: "the broker lost its connection to the machine (last will)", Since: o.Since, Weight: 1})
	}
	return e
}
