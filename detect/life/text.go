package life

import (
	"fmt"

	"coilward/collector"
)

// Text says in one line what happened, with its numbers.
func (e *Event) Text() string {
	minutes := float32(e.to-e.from) / 60
	switch e.Kind {
	case Restock:
		return e.lasted("warm product is being cooled down", "warm product was cooled down in %s")
	case Cleaning:
		switch e.Way {
		case 2:
			return fmt.Sprintf("unplugged for about %s: nothing was measured, and the air had gone to %.1f °C", span(minutes), e.A)
		case 3:
			return fmt.Sprintf("cleaned, or worked at: it stood for %s, the door open for %.0f min of it", span(minutes), e.A)
		}
		return "no supply for " + span(minutes) + ": unplugged, or cleaned"
	case SetpointMoved:
		return fmt.Sprintf("the thermostat keeps a band %.1f K %s than before", abs(e.A), direction(e.A))
	case DoorTraffic:
		return fmt.Sprintf("%.0f openings seen; its mean is %.1f an hour", e.A, e.B)
	case Defrost:
		switch e.Way {
		case heated:
			return fmt.Sprintf("heater: the coil went to %.1f °C in a pause of %.0f min", e.A, minutes)
		case timed:
			s := fmt.Sprintf("timed: a pause of %.0f min", minutes)
			if e.A == e.A {
				s += fmt.Sprintf(", the coil went to %.1f °C", e.A)
			}
			return s + fmt.Sprintf("; one every %.1f h", e.B)
		}
		return fmt.Sprintf("in a pause of %.0f min: the coil stood at 0 °C for %.0f min while frost melted", minutes, e.B)
	case EnergySaver:
		if e.B <= 1 {
			return fmt.Sprintf("the band stands %.1f K higher at the same hours as the day before", e.A)
		}
		return fmt.Sprintf("the band stands %.1f K higher at the same hours as on %.0f days before", e.A, e.B)
	case HeatWave:
		return fmt.Sprintf("ambient up to %.1f °C; the mean of the days before was %.1f °C", e.A, e.B)
	case PowerBlip:
		if e.Way == 1 {
			return fmt.Sprintf("no supply for about %.0f min", max(e.A, 1))
		}
		return fmt.Sprintf("nothing measured for %.0f min, and the compressor had to start again", e.A)
	case LinkOutage:
		s := "nothing was heard for " + span(minutes)
		switch {
		case e.B > 0:
			s += fmt.Sprintf("; %.0f readings measured meanwhile came later", e.B)
		case e.A > 0:
			s += "; nothing was measured meanwhile"
		}
		return s
	case SensorReplaced:
		return fmt.Sprintf("%s reads %.1f K %s since then and nothing else moved with it", collector.Channel(e.Way), abs(e.A), direction(e.A))
	}
	return e.Kind.String()
}

func direction(x float32) string {
	if x < 0 {
		return "lower"
	}
	return "higher"
}

func (e *Event) lasted(now, past string) string {
	if e.to == 0 {
		return now
	}
	return fmt.Sprintf(past, span(float32(e.to-e.from)/60))
}

func span(minutes float32) string {
	if minutes < 120 {
		return fmt.Sprintf("%.0f min", minutes)
	}
	return fmt.Sprintf("%.1f h", minutes/60)
}
