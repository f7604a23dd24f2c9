package main

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/intake"
	"coilward/collector/racetest"
	"coilward/collector/simulate"
	"coilward/detect"
	"coilward/detect/truth"
)

// simulated is what a simulated fleet said, in order, with its truth.
type simulated struct {
	fleet *fleet.Fleet
	truth *truth.Fleet
	said  map[string][]collector.Reading
	start collector.Millis
}

func simulatedDays(t *testing.T, o simulate.Options) *simulated {
	t.Helper()
	sim, err := simulate.NewFleet(o)
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse("simulated", []byte(sim.YAML()))
	if err != nil {
		t.Fatal(err)
	}
	s := &simulated{fleet: f, said: map[string][]collector.Reading{}, start: collector.MillisOf(o.Start)}
	decoder := intake.NewDecoder(intake.DecoderOptions{})
	admission := collector.NewAdmission(collector.AdmitOptions{Listed: f.Listed})
	order := collector.NewOrder(collector.OrderOptions{})
	orderers := map[string]*collector.Orderer{}
	keep := func(r *collector.Reading) { s.said[r.Machine] = append(s.said[r.Machine], *r) }
	for range o.Days * 24 {
		for _, m := range sim.Advance(time.Hour) {
			readings, _ := decoder.Decode(nil, s.start+collector.Millis(m.Received*1000), m.Topic, m.Payload)
			admission.Admit(readings, func(r *collector.Reading, why collector.Reason) {
				if why != collector.NoReason && !why.Repaired() {
					return
				}
				x := orderers[r.Machine]
				if x == nil {
					one := order.Orderer()
					x = &one
					orderers[r.Machine] = x
				}
				x.Push(r, keep)
			})
		}
	}
	for _, x := range orderers {
		x.Flush(keep)
	}
	text, err := json.Marshal(sim.Truth())
	if err != nil {
		t.Fatal(err)
	}
	if s.truth, err = truth.Parse(text); err != nil {
		t.Fatal(err)
	}
	return s
}

// probabilities returns how probable the models hold what is truly wrong, some
// hours after its first measurable effect, when they hear only some channels.
func (s *simulated) probabilities(t *testing.T, after float64, heard collector.ChannelSet) (p []float64) {
	t.Helper()
	library := detect.NewLibrary()
	for i := range s.truth.Machines {
		m := &s.truth.Machines[i]
		if len(m.Episodes) == 0 || m.Episodes[0].Material == nil {
			continue
		}
		e := &m.Episodes[0]
		at := s.truth.Millis(*e.Material + after*3600)
		if *e.Material+after*3600 > e.End(s.truth.End()) {
			continue
		}
		spec, _ := s.fleet.Machine(m.Machine)
		model := detect.NewMachine(spec, library)
		for _, r := range s.said[m.Machine] {
			if r.At > at {
				break
			}
			r.Has &= heard
			model.Step(&r, r.Received, func(*detect.Finding) {})
		}
		right := 0.0
		for _, f := range model.View().OpenFindings {
			for _, c := range f.Candidates {
				if c.Fault == e.Fault || slices.Contains(e.Aliases, c.Fault) {
					right += c.Probability
				}
			}
		}
		p = append(p, right)
	}
	return p
}

func set(channels ...collector.Channel) (s collector.ChannelSet) {
	for _, c := range channels {
		s = s.With(c)
	}
	return s
}

// Hearing one more channel never makes what is truly wrong less likely, on the
// average over faults: a law of probability, which a likelihood that is wrong
// for a channel breaks. The slack is two standard errors of the difference.
func TestAnotherChannelNeverHurtsOnAverage(t *testing.T) {
	if racetest.Enabled {
		t.Skip("a fleet is gone through once for each channel; it is without the race detector")
	}
	o := simulate.DefaultOptions()
	o.Machines, o.Days, o.Seed, o.FaultShare, o.SecondShare, o.SwapShare, o.Interval = 24, 6, 99, 1, 0, 0, 120
	o.Mix = simulate.Mix{Full: 1}
	s := simulatedDays(t, o)
	standard := set(collector.CabinetAir, collector.CoilOut, collector.CompressorCurrent, collector.Ambient, collector.Door)
	before := s.probabilities(t, 8, standard)
	if len(before) < 12 {
		t.Fatalf("%d faults to judge by", len(before))
	}
	for _, c := range []collector.Channel{collector.SupplyAir, collector.CoilIn, collector.Condenser, collector.EvapFanCurrent,
		collector.CondFanCurrent, collector.CompressorCall, collector.MainsVoltage} {
		after := s.probabilities(t, 8, standard.With(c))
		mean, square := 0.0, 0.0
		for i := range after {
			d := after[i] - before[i]
			mean += d / float64(len(after))
			square += d * d / float64(len(after))
		}
		slack := 2 * math.Sqrt(math.Max(square-mean*mean, 0)/float64(len(after)))
		t.Logf("%-20s %+.3f ± %.3f", c, mean, slack/2)
		if mean < -slack-0.01 {
			t.Errorf("hearing %v too, what is wrong is less likely by %.3f on average", c, -mean)
		}
	}
}
