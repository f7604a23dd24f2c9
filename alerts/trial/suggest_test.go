package trial

import (
	"context"
	"errors"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/detect"
	"coilward/detect/fault"
)

// episodes of a setting: hours from and to of each, by machine.
type told map[string][][2]float64

func (t told) episodes(out map[string]bool) (all []*Episode) {
	for m, list := range t {
		for _, x := range list {
			e := stood(m, x[0], x[1], fault.CoilIced)
			e.Out = out[m]
			all = append(all, e)
		}
	}
	return all
}

// Three settings, keen to calm. Two troubles are borne out (a visit; product out
// of its limits), three went by themselves; the rates and delays follow by hand.
func TestChoose(t *testing.T) {
	product := map[string]bool{"out": true}
	all := [][]*Episode{
		told{"seen": {{10, 60}}, "out": {{10, 20}}, "a": {{1, 2}}, "b": {{1, 2}, {30, 31}}, "long": {{0, 40}}}.episodes(product),
		told{"seen": {{12, 60}}, "out": {{11, 20}}, "a": {{1.5, 2}}}.episodes(product),
		told{"seen": {{20, 60}}}.episodes(product),
	}
	visits := []Visit{{"seen", at(50), true, fault.CoilIced}}
	settings := []Setting{{10, 1, nil}, {3, 1, nil}, {1, 1, nil}}
	for _, c := range []struct {
		wanted float64
		best   int
		found  bool
	}{{5, 0, true}, {2, 1, true}, {0.4, 2, true}} {
		s := choose(c.wanted, 1, settings, all, nil, visits)
		if s.Best != c.best || s.Found != c.found || s.BorneOut != 2 || s.Unfounded != 3 || s.Undecided != 1 {
			t.Errorf("wanted %g: %+v, want setting %d", c.wanted, s, c.best)
		}
		for i, want := range []Tried{{False: 3, Rate: 3}, {False: 1, Rate: 1, Delay: 90 * time.Minute}, {Missed: 1, Delay: 10 * time.Hour}} {
			if got := s.Tried[i]; got.False != want.False || got.Rate != want.Rate || got.Missed != want.Missed || got.Delay != want.Delay {
				t.Errorf("setting %d: %+v, want %+v", i, got, want)
			}
		}
	}
	// Nothing was found: it is a false alarm. None meets less than one a year.
	s := choose(0.5, 1, settings[:1], all[:1], nil, []Visit{{"seen", at(50), false, fault.Well}})
	if s.Found || s.BorneOut != 1 || s.Unfounded != 4 {
		t.Errorf("%+v, want none found", s)
	}
}

// From the changes of real queues: the patient setting is chosen where few false
// alarms are wanted, the keen one where many are.
func TestSuggest(t *testing.T) {
	findings := []detect.Finding{
		finding("F-1", "cab-blip", 25, detect.Raised, 0), finding("F-1", "cab-blip", 25.7, detect.Cleared, 1),
		finding("F-2", "cab-real", 26, detect.Raised, 0), finding("F-2", "cab-real", 34, detect.Cleared, 1),
	}
	patient := alerts.DefaultDelays()
	for p := range patient.On {
		patient.On[p] += time.Hour
	}
	o := SuggestOptions{From: at(24), To: at(48), Fleet: 2, Settings: []Setting{{0, 1, nil}, {0, 4, nil}},
		Visits: []Visit{{"cab-real", at(33), true, fault.CompressorWeak}},
		Play: func(_ context.Context, takes []Take) error {
			return errors.Join(queued(takes[0], alerts.Delays{}, at(48), findings...), queued(takes[1], patient, at(48), findings...))
		}}
	for wanted, best := range map[float64]int{1000: 0, 1: 1} {
		o.Wanted = wanted
		s, err := Suggest(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		if s.Best != best || !s.Found || s.BorneOut != 1 || s.Unfounded != 1 || s.Tried[1].Delay != time.Hour {
			t.Errorf("wanted %g: %+v, want setting %d", wanted, s, best)
		}
	}
	o.Wanted = 0
	if _, err := Suggest(t.Context(), o); err == nil {
		t.Error("a wanted rate of 0 is taken")
	}
}
