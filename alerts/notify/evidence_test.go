package notify

import (
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/channel"
	"coilward/detect/feature"
)

// everyEvidence is every sentence in which the models say what they saw of a machine,
// with numbers either way of nought.
func everyEvidence() (list []string) {
	nan := float32(math.NaN())
	for i := range feature.ID(feature.NumFeatures) {
		for _, now := range [...]float32{-4.2, 7.4} {
			for _, normal := range [...]float32{nan, -2.1, 3.3} {
				for _, sd := range [...]float32{nan, 12} {
					id := i
					if int(i) >= 2*feature.NumProfiles && i != feature.LoadSlow {
						switch i { // as features are told that have words of their own
						case feature.AirMoved, feature.SetIn, feature.SetOut, feature.SetAir, feature.SetAirSlow:
						default:
							id = i.Topic()
						}
					}
					if n := (feature.Note{ID: id, Now: now, Normal: normal, SD: sd}); n.ID != feature.SensorOdd || now >= 0 && normal == normal {
						list = append(list, n.Text())
					}
				}
			}
		}
	}
	for s := channel.Stuck; s <= channel.Contradicts; s++ {
		for _, value := range [...]float32{-127, 21} {
			for _, c := range [...]collector.Channel{collector.CoilOut, collector.Condenser, collector.Ambient} {
				other := collector.CabinetAir
				if c == collector.CoilOut {
					other = collector.Condenser
				}
				v := channel.Verdict{Channel: c, Other: other, Sort: s, Value: value, Offset: value / 10}
				list = append(list, v.Text(50), v.Text(500))
			}
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// A tech who reads Spanish reads all of it in Spanish: not one piece of evidence is left
// half translated.
func TestAllEvidenceIsInSpanish(t *testing.T) {
	word := regexp.MustCompile(`\pL+`)
	channels := regexp.MustCompile(`\pL+_\pL+|^(condenser|ambient|humidity)\b| condenser (are|están)\b`) // are called as in the contract
	same := []string{"normal", "min", "rpm", "no", "h", "K", "C", "A", "V", "RH", "Fahrenheit", "Celsius"}
	r := reader{p: &Person{TimeZone: "UTC", Language: "es"}, l: ownTemplates().in("es")}
	told := 0
	for _, english := range everyEvidence() {
		if english == "" || strings.Contains(english, "NaN") { // what always has a normal, here without one
			continue
		}
		told++
		got := r.evidence([]detect.Evidence{{Text: english}}, noon)[0]
		left := word.FindAllString(channels.ReplaceAllString(got, ""), -1)
		for _, w := range word.FindAllString(channels.ReplaceAllString(english, ""), -1) {
			if slices.Contains(left, w) && !slices.Contains(same, w) {
				t.Errorf("%q is left in %q\nof %q", w, got, english)
			}
		}
	}
	if told < 100 {
		t.Errorf("%d sentences tried; there are more", told)
	}
}
