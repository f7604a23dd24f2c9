package learn

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"coilward/collector"
)

var fullSet = standardSet | set(collector.SupplyAir, collector.CoilIn, collector.Condenser, collector.MainsCurrent, collector.MainsVoltage)

// Each copy is of the machines that it makes others of.
func TestWhoIsInACopy(t *testing.T) {
	for _, c := range Copies() {
		for _, m := range []struct {
			name   string
			has    collector.ChannelSet
			copies string
		}{
			{"basic", basicSet, "mix slow"},
			{"standard", standardSet, "mix slow"},
			{"standard but the door", fullSet &^ set(collector.Door), "basic mix slow"},
			{"full", fullSet, "basic standard mix slow"},
			{"full without mains current", fullSet &^ set(collector.MainsCurrent), "standard mix slow"},
		} {
			_, got := c.Of("m", m.has)
			if want := slices.Contains(strings.Fields(m.copies), c.Name); got != want {
				t.Errorf("copy %s of a machine with the %s set: %v", c.Name, m.name, got)
			}
		}
	}
}

// Over a few hundred machines every way to see one happens, about as often as
// another, and the same machine is always seen in the same way.
func TestCopiesSpreadOverTheirWays(t *testing.T) {
	const machines = 720
	for _, c := range Copies() {
		ways := map[string]int{}
		for i := range machines {
			id := fmt.Sprintf("cooler-%03d", i)
			s, ok := c.Of(id, fullSet)
			if again, _ := c.Of(id, fullSet); !ok || again != s {
				t.Fatalf("%s: %s is seen as %+v, then as %+v", c.Name, id, s, again)
			}
			ways[fmt.Sprint(s)]++
		}
		want := map[string]int{"basic": 1, "standard": 1, "mix": 36, "slow": 4}[c.Name]
		if len(ways) != want {
			t.Errorf("%s: %d ways to see a machine, want %d", c.Name, len(ways), want)
		}
		for way, n := range ways {
			if even := float64(machines) / float64(want); math.Abs(float64(n)-even) > 5*math.Sqrt(even) {
				t.Errorf("%s: %d of %d machines are seen as %s", c.Name, n, machines, way)
			}
		}
	}
}

func TestSeeing(t *testing.T) {
	s := Seen{Channels: set(collector.CabinetAir, collector.Door, collector.MainsCurrent), Interval: 300 * second, Step: 0.5}
	var at []collector.Millis
	for i := range 60 { // an hour, each minute up to two seconds off
		r := collector.Reading{At: collector.Millis(i)*60*second + []collector.Millis{0, 2000, -2000}[i%3], Has: fullSet}
		r.Value[collector.CabinetAir], r.Value[collector.MainsCurrent] = 4.3, 1.37
		if !s.See(&r) {
			continue
		}
		at = append(at, r.At)
		if r.Has != s.Channels || r.Value[collector.CabinetAir] != 4.5 || r.Value[collector.MainsCurrent] != 1.37 {
			t.Fatalf("seen: %v", r)
		}
	}
	if len(at) != 12 {
		t.Errorf("%d readings in an hour at one in five minutes: %v", len(at), at)
	}
	none := Seen{Channels: set(collector.CabinetAir)}
	if r := (collector.Reading{Has: set(collector.Door)}); none.See(&r) {
		t.Error("a reading of which nothing is left is seen")
	}
}
