package simulate

import (
	_ "embed"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"time"

	"github.com/goccy/go-yaml"
	"golang.org/x/sync/errgroup"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// DemoFleet is the fleet file of the demonstration: invented sites and machines.
//
//go:embed demo/fleet.yaml
var DemoFleet []byte

// demoDays is what goes wrong there, and when.
//
//go:embed demo/days.yaml
var demoDays []byte

// scheduled is one fault of days.yaml.
type scheduled struct {
	Machine string        `yaml:"machine"`
	Fault   string        `yaml:"fault"`
	Mode    string        `yaml:"mode"`
	At      time.Duration `yaml:"at"`   // after the live part begins; negative: before
	For     time.Duration `yaml:"for"`  // 0: until repaired by nobody
	Ramp    time.Duration `yaml:"ramp"` // of a growing fault; 0: drawn
	Size    *float64      `yaml:"size"` // of the effect; absent: drawn
	Channel string        `yaml:"channel"`
}

// flow is how faults go on coming after those that days.yaml names.
type flow struct {
	From  time.Duration `yaml:"from"`  // after the live part begins
	Every time.Duration `yaml:"every"` // between two, on average; by the exponential distribution
	For   time.Duration `yaml:"for"`   // at most, should nobody repair it: somebody happens to see it
}

// DemoDays is for how many live days people, weather and faults are drawn.
const DemoDays = 60

// NewDemo returns the demonstration's fleet, beginning warmUp before live.
func NewDemo(seed uint64, live time.Time, warmUp time.Duration) (*Fleet, error) {
	file, err := fleet.Parse("demo/fleet.yaml", DemoFleet)
	if err != nil {
		return nil, err
	}
	var days struct {
		Faults []scheduled `yaml:"faults"`
		Then   flow        `yaml:"then"`
	}
	if err := yaml.UnmarshalWithOptions(demoDays, &days, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("demo/days.yaml: %w", err)
	}
	all := DemoDays + int(warmUp.Hours()/24) + 1
	f, err := fromFile(file, Options{Seed: seed, Days: all, Start: live.Add(-warmUp), Interval: 60, Name: "demo", NoTruth: true})
	if err != nil {
		return nil, err
	}
	if err := f.schedule(days.Faults, warmUp); err != nil {
		return nil, fmt.Errorf("demo/days.yaml: %w", err)
	}
	if err := f.goOn(&days.Then, warmUp); err != nil {
		return nil, fmt.Errorf("demo/days.yaml: %w", err)
	}
	f.begin()
	return f, nil
}

// fromFile draws cabinets that agree with a fleet file. Nothing is wrong with them.
func fromFile(file *fleet.Fleet, o Options) (*Fleet, error) {
	r := rand.New(rand.NewPCG(o.Seed, 0x64656d6f))
	f := &Fleet{Options: o}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0)) // a cabinet is tried for days before it is taken
	for _, s := range file.Sites {
		zone := s.Location
		if zone == nil {
			zone = time.UTC
		}
		offset := localOffset(zone, o.Start)
		f.Sites = append(f.Sites, Site{ID: s.ID, Name: s.Name, Zone: zone.String(), Latitude: s.Latitude, Longitude: s.Longitude})
		weather := DrawWeather(r, o.Days+2, 12*3600-offset)
		for _, spec := range s.Machines {
			own, m := rand.New(rand.NewPCG(r.Uint64(), r.Uint64())), new(Machine)
			f.Machines = append(f.Machines, m)
			g.Go(func() error {
				has := spec.Channels
				if has == 0 {
					has = standardSet
				}
				for tries := 0; ; tries++ {
					d, err := designFor(own, spec)
					if err != nil {
						return err
					}
					if *m = *machineOf(own, spec.ID, s.ID, d, has, &o, weather, offset, nil, nil); m.lives() {
						break
					}
					if tries == 50 {
						return fmt.Errorf("machine %s: no cabinet drawn stands the people of its place; give it a milder setpoint", spec.ID)
					}
				}
				m.Value, m.Set = int(spec.LoadValue), "file"
				l := m.Link
				// The plain form: the demonstration's clock runs fast, and relative times would run with it.
				l.Relative, l.Battery, l.Clock, l.Batch, l.Loss = false, true, 0, 1, math.Min(l.Loss, 0.01)
				return nil
			})
		}
	}
	return f, g.Wait()
}

// designFor draws a cabinet that is what the fleet file says.
func designFor(r *rand.Rand, spec *fleet.Machine) (*Design, error) {
	fix := func(d *Design) {
		d.Volts, d.Product = 115, spec.Product
		if g, ok := refrigerantByName(spec.Refrigerant); ok {
			d.Refrigerant = g
		}
		if spec.EvaporatorFan != fleet.FanUnknown {
			d.FanControl = spec.EvaporatorFan
		}
		if spec.Setpoint != nil && spec.Differential != nil {
			c, b := float64(*spec.Setpoint), float64(*spec.Differential)
			d.SensorOnCoil, d.CutIn, d.CutOut = false, c+b/2, c-b/2
		}
		if d.FanControl == fleet.FanWithCompressor && d.DefrostEvery == 0 {
			d.DefrostEvery, d.DefrostFor = 6*3600, 25*60
		}
	}
	for range 400 {
		d := drawDesign(r, spec.Kind, fix)
		if d.holds() {
			return &d, nil
		}
	}
	return nil, fmt.Errorf("machine %s: no cabinet drawn holds its product at this setpoint; move the setpoint nearer the middle of its limits", spec.ID)
}

// schedule adds the faults of days.yaml; every fault that cannot be placed is
// reported.
func (f *Fleet) schedule(list []scheduled, warmUp time.Duration) error {
	r := rand.New(rand.NewPCG(f.Options.Seed, 0x64617973))
	byID := make(map[string]*Machine, len(f.Machines))
	for _, m := range f.Machines {
		byID[m.ID] = m
	}
	var errs []error
	for _, s := range list {
		m := byID[s.Machine]
		var kind fault.Fault
		if m == nil {
			errs = append(errs, fmt.Errorf("machine %q is not in demo/fleet.yaml", s.Machine))
			continue
		}
		if err := kind.UnmarshalText([]byte(s.Fault)); err != nil {
			errs = append(errs, err)
			continue
		}
		if modeOf(kind, s.Mode) == nil {
			errs = append(errs, fmt.Errorf("fault %s has no mode %q", s.Fault, s.Mode))
			continue
		}
		ep := drawEpisode(r, m.Design, m.sampler.Has, float64(f.Options.Days), kind, s.Mode)
		ep.move((warmUp + s.At).Seconds(), s.For.Seconds())
		if s.Ramp > 0 {
			ep.RampFor = s.Ramp.Seconds()
		}
		if s.Size != nil {
			ep.Size = *s.Size
		}
		if s.Channel != "" {
			c, ok := collector.ChannelByName(s.Channel)
			if !ok || !m.sampler.Has.Has(c) {
				errs = append(errs, fmt.Errorf("machine %s has no channel %q", m.ID, s.Channel))
				continue
			}
			ep.Channel = c
		}
		m.Episodes = append(m.Episodes, ep)
	}
	return errors.Join(errs...)
}

// move puts a drawn episode at onset, s since the start, for last s; 0: until it
// is repaired.
func (ep *Episode) move(onset, last float64) {
	shift := onset - ep.Onset
	ep.Onset = max(0, onset)
	ep.End = math.Inf(1)
	if last > 0 {
		ep.End = ep.Onset + last
	}
	for i := range ep.Intervals {
		ep.Intervals[i][0] += shift
		ep.Intervals[i][1] = math.Min(ep.Intervals[i][1]+shift, ep.End)
	}
}

// goOn draws the faults that follow, on machines that have none then.
func (f *Fleet) goOn(w *flow, warmUp time.Duration) error {
	if w.Every <= 0 || w.For <= 0 {
		return errors.New("then: every and for must be longer than 0")
	}
	r := rand.New(rand.NewPCG(f.Options.Seed, 0x7468656e))
	end := float64(f.Options.Days) * 86400
	for t := (warmUp + w.From).Seconds(); t < end; t += r.ExpFloat64() * w.Every.Seconds() {
		m := f.Machines[r.IntN(len(f.Machines))]
		ep := drawEpisode(r, m.Design, m.sampler.Has, float64(f.Options.Days), fault.Well, "")
		last := w.For.Seconds()
		switch ep.Fault {
		case fault.Silent, fault.PowerLost, fault.DoorOpen: // these pass sooner, as they are drawn
			last = math.Min(last, ep.End-ep.Onset)
		}
		if ep.Shape == Ramp { // sooner bad than years would make it: a demonstration is watched for hours
			ep.RampFor = math.Min(ep.RampFor, last/3)
		}
		ep.Preexisting = false
		ep.move(t, last)
		if m.wellUntil(t, ep.End) {
			m.Episodes = append(m.Episodes, ep)
		}
	}
	return nil
}

// wellUntil reports whether no fault is drawn for from..to s, nor ends in the half day
// before.
func (m *Machine) wellUntil(from, to float64) bool {
	for i := range m.Episodes {
		if ep := &m.Episodes[i]; ep.Onset < to && from < ep.End+12*3600 {
			return false
		}
	}
	return true
}
