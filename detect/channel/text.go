package channel

import (
	"fmt"
	"math"
)

// Text says in plain words what is wrong with the sensor, with its numbers.
// after is how long it has been so, in minutes.
func (v *Verdict) Text(after float64) string {
	name := v.Channel.String()
	lasted := span(after)
	switch v.Sort {
	case Stuck:
		return fmt.Sprintf("%s is stuck: it has stood at %.1f °C for %s while the others moved", name, v.Value, lasted)
	case Open:
		if v.Value > -40 {
			return fmt.Sprintf("%s is open: it gives no value it can have (the last good one was %.1f °C); a broken probe or wire", name, v.Value)
		}
		return fmt.Sprintf("%s is open: it reads %.1f °C, as a broken probe or wire does", name, v.Value)
	case Short:
		return fmt.Sprintf("%s is short-circuited: it reads above anything it can have (the last value taken was %.1f °C), as a bridged probe does", name, v.Value)
	case Swapped:
		return fmt.Sprintf("%s and %s are swapped: each took the other's values in one instant", name, v.Other)
	case Fahrenheit:
		return fmt.Sprintf("%s comes in Fahrenheit and is labelled Celsius: %.1f would be %.1f °C", name, v.Value, (float64(v.Value)-32)/1.8)
	case Erratic:
		return fmt.Sprintf("%s leaps further than heat can and comes back, again and again: a loose plug or wire", name)
	case OutOfRange:
		return fmt.Sprintf("%s gives values it cannot have", name)
	case Drifting:
		return fmt.Sprintf("%s has drifted: it reads about %.1f K %s than the other channels and this machine's normal allow", name, math.Abs(float64(v.Offset)), higher(v.Offset))
	case Contradicts:
		return fmt.Sprintf("%s contradicts the others since it stepped: it reads about %.1f K %s than they and this machine's normal allow", name, math.Abs(float64(v.Offset)), higher(v.Offset))
	}
	return ""
}

func higher(x float32) string {
	if x < 0 {
		return "lower"
	}
	return "higher"
}

func span(minutes float64) string {
	if minutes < 120 {
		return fmt.Sprintf("%.0f min", minutes)
	}
	return fmt.Sprintf("%.1f h", minutes/60)
}
