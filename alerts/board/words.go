package board

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
)

// minus is the typographic minus: a hyphen before a digit is easy to lose on a
// phone in bright light.
const minus = "−"

// nb is a space that does not break: a number and its unit stay on one line.
const nb = "\u00a0"

// number writes v with digits decimals and a true minus sign; −0.0 is 0.0.
func number(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if bare, negative := strings.CutPrefix(s, "-"); negative {
		if strings.Trim(bare, "0.") == "" {
			return bare
		}
		return minus + bare
	}
	return s
}

// temperature writes a temperature in the reader's unit.
func (r Reader) temperature(t quantity.Celsius) string {
	if math.IsNaN(float64(t)) {
		return "not known"
	}
	return number(r.scale(t), 1) + nb + r.degree()
}

// scale is t in the reader's unit.
func (r Reader) scale(t quantity.Celsius) float64 {
	if r.Fahrenheit {
		return t.Fahrenheit()
	}
	return float64(t)
}

func (r Reader) degree() string {
	if r.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// difference writes a temperature difference in the reader's unit.
func (r Reader) difference(d quantity.Kelvin) string {
	if r.Fahrenheit {
		return number(float64(d)*9/5, 1) + nb + "°F"
	}
	return number(float64(d), 1) + nb + "K"
}

// value writes one channel's value with its unit.
func (r Reader) value(c collector.Channel, v float64) string {
	switch {
	case c.IsTemperature():
		return r.temperature(quantity.Celsius(v))
	case c == collector.Door:
		return either(v != 0, "open", "shut")
	case c.IsBool():
		return either(v != 0, "yes", "no")
	}
	switch unit := c.Info().Unit; unit {
	case "A":
		return number(v, 2) + nb + "A"
	case "%RH":
		return number(v, 0) + nb + "% RH"
	case "1/min":
		return number(v, 0) + nb + "rpm"
	case "Wh":
		return number(v/1000, 1) + nb + "kWh"
	default:
		return number(v, 0) + nb + unit
	}
}

func either(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

// celsiusIn and kelvinIn find temperatures and differences in a sentence that
// the models wrote in °C and K. A spread ("6.1 ± 0.5 K", "6.1 ± 0.5 °C") is
// one match so that both numbers change together.
var (
	celsiusIn = regexp.MustCompile(`([-−]?\d+(?:\.\d+)?)(?:( ± )(\d+(?:\.\d+)?))?[ \x{a0}]?°C\b`)
	perKelvin = regexp.MustCompile(`([-−]?\d+(?:\.\d+)?)[ \x{a0}]?K/h per K\b`) // a rate over a difference: the number is the same in °F
	kelvinIn  = regexp.MustCompile(`([-−]?\d+(?:\.\d+)?)(?:( ± )(\d+(?:\.\d+)?))?[ \x{a0}]?K\b`)
)

// sentence puts the temperatures in a sentence of the models into the
// reader's unit.
func (r Reader) sentence(s string) string {
	if !r.Fahrenheit {
		return s
	}
	convert := func(in string, re *regexp.Regexp, absolute bool) string {
		return re.ReplaceAllStringFunc(in, func(m string) string {
			p := re.FindStringSubmatch(m)
			v, err := strconv.ParseFloat(strings.Replace(p[1], minus, "-", 1), 64)
			if err != nil {
				return m
			}
			v = v * 9 / 5
			if absolute {
				v += 32
			}
			out := number(v, 1)
			if p[3] != "" {
				spread, _ := strconv.ParseFloat(p[3], 64)
				out += p[2] + number(spread*9/5, 1)
			}
			return out + nb + "°F"
		})
	}
	s = perKelvin.ReplaceAllString(convert(s, celsiusIn, true), "$1"+nb+"°F/h per °F")
	return convert(s, kelvinIn, false)
}

// chance puts a probability into words after the calibrated-language scale of
// the IPCC (Mastrandrea et al. 2010, table 1): virtually certain ≥ 99 %, very
// likely ≥ 90 %, likely ≥ 66 %, about as likely as not ≥ 33 %. Below a third the
// leading cause is only the best guess of several.
func chance(p float64) string {
	switch {
	case p >= 0.99:
		return "virtually certain"
	case p >= 0.90:
		return "very likely"
	case p >= 0.66:
		return "likely"
	case p >= 0.33:
		return "as likely as not"
	}
	return "best guess of several"
}

// percent writes a share in whole per cent. A probability is never written as
// 0 % or 100 %: the models do not know that much.
func percent(p float64) string {
	return strconv.Itoa(int(math.Round(p*100))) + nb + "%"
}

func probability(p float64) string {
	switch {
	case p > 0.99:
		return "over 99" + nb + "%"
	case p < 0.01:
		return "under 1" + nb + "%"
	}
	return percent(p)
}

// span writes a duration as a person would say it: minutes below an hour,
// hours and minutes below a day, days and hours above.
func span(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	switch {
	case d < time.Minute:
		return "under a minute"
	case d < time.Hour:
		return fmt.Sprintf("%d"+nb+"min", int(d.Minutes()))
	case d < 24*time.Hour:
		h, m := int(d.Hours()), int(d.Minutes())%60
		if m == 0 {
			return fmt.Sprintf("%d"+nb+"h", h)
		}
		return fmt.Sprintf("%d"+nb+"h %02d"+nb+"min", h, m)
	}
	days, h := int(d.Hours())/24, int(d.Hours())%24
	unit := either(days == 1, "day", "days")
	if h == 0 {
		return fmt.Sprintf("%d"+nb+"%s", days, unit)
	}
	return fmt.Sprintf("%d"+nb+"%s %d"+nb+"h", days, unit, h)
}

// hour writes the time of day in the reader's habit.
func (r Reader) hour(t time.Time) string {
	if r.TwelveHour {
		return t.Format("3:04" + nb + "pm")
	}
	return t.Format("15:04")
}

// moment writes t so that it cannot be misread at now: with the weekday when
// it is another day, with the date when it is more than six days off, and with the
// year when it is most of one.
func (r Reader) moment(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	switch y, yd := t.Date, now.Date; {
	case sameDay(y, yd):
		return r.hour(t)
	case t.Sub(now).Abs() < 6*24*time.Hour:
		return t.Format("Mon"+nb) + r.hour(t)
	case t.Sub(now).Abs() > 300*24*time.Hour:
		return t.Format("Mon"+nb+"2"+nb+"Jan"+nb+"2006 ") + r.hour(t)
	}
	return t.Format("Mon"+nb+"2"+nb+"Jan ") + r.hour(t)
}

func sameDay(a, b func() (int, time.Month, int)) bool {
	y, m, d := a()
	y2, m2, d2 := b()
	return y == y2 && m == m2 && d == d2
}

// money writes an amount without cents: it is an estimate.
func money(currency string, v float64) string {
	s := strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + nb + s[i:]
	}
	return currency + s
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

var kindWords = [fleet.NumKinds]string{
	fleet.StackVendor: "stack vendor", fleet.GlassFrontVendor: "glass-front vendor",
	fleet.GlassDoor: "glass-door cooler", fleet.OpenFront: "open-front cooler",
}

var productWords = [fleet.NumProducts]string{
	fleet.SealedBeverage: "sealed beverages", fleet.Dairy: "dairy", fleet.TCSFood: "TCS food",
}

// channelWords name a channel as it is called at the machine.
var channelWords = [collector.NumChannels]string{
	collector.CabinetAir: "cabinet air", collector.SupplyAir: "supply air", collector.CoilIn: "coil, inlet end",
	collector.CoilOut: "coil, outlet end", collector.Condenser: "condenser", collector.CompressorShell: "compressor shell",
	collector.Ambient: "ambient at condenser", collector.Humidity: "humidity", collector.CompressorCurrent: "compressor current",
	collector.MainsCurrent: "mains current", collector.MainsVoltage: "mains voltage", collector.EvapFanCurrent: "evaporator fan current",
	collector.CondFanCurrent: "condenser fan current", collector.EvapFanSpeed: "evaporator fan speed",
	collector.CondFanSpeed: "condenser fan speed", collector.CompressorCall: "thermostat calls", collector.Door: "door",
	collector.Energy: "energy meter",
}
