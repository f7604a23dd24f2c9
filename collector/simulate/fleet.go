package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Mix is the share of machines that carry each set of channels; the rest carry
// random ones.
type Mix struct{ Basic, Standard, Full float64 }

// Options say which fleet to simulate.
type Options struct {
	Seed        uint64
	Machines    int
	Days        int
	Start       time.Time
	Mix         Mix
	FaultShare  float64     // of machines that get a fault
	SecondShare float64     // of those that get another
	Interval    float64     // s; 0: drawn, 10 to 300
	Only        fault.Fault // Well: any
	SwapShare   float64     // of machines of which a temperature sensor is replaced
	Name        string      // of the set, in the truth
	Workers     int         // 0: as many as there are processors
	NoTruth     bool        // nothing is kept of what really happened: half the work, and faults may end when somebody repairs them
}

// DefaultOptions is a fleet of 200 for training.
func DefaultOptions() Options {
	return Options{Seed: 1, Machines: 200, Days: 12, Start: time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC), Mix: Mix{.35, .35, .2},
		FaultShare: 0.6, SecondShare: 0.08, SwapShare: 0.03, Name: "simulated"}
}

// Validate reports what is wrong with the options, all at once.
func (o *Options) Validate() error {
	var errs []error
	if o.Machines < 1 || o.Machines > 100000 {
		errs = append(errs, fmt.Errorf("machines is %d; give 1 to 100000", o.Machines))
	}
	if o.Days < 1 || o.Days > 400 {
		errs = append(errs, fmt.Errorf("days is %d; give 1 to 400", o.Days))
	}
	if o.Interval != 0 && (o.Interval < 10 || o.Interval > 300) {
		errs = append(errs, fmt.Errorf("interval is %g s; give 10 to 300, or 0 to draw it", o.Interval))
	}
	if s := o.Mix.Basic + o.Mix.Standard + o.Mix.Full; s > 1.0001 || o.Mix.Basic < 0 || o.Mix.Standard < 0 || o.Mix.Full < 0 {
		errs = append(errs, fmt.Errorf("the shares of the sets add up to %.2f; they must be at least 0 and add up to at most 1", s))
	}
	if o.FaultShare < 0 || o.FaultShare > 1 || o.SecondShare < 0 || o.SecondShare > 1 || o.SwapShare < 0 || o.SwapShare > 1 {
		errs = append(errs, errors.New("a share of faults or of swaps is outside 0 to 1"))
	}
	if o.Only > fault.Silent {
		errs = append(errs, fmt.Errorf("fault %q cannot be simulated: it is what is said where none is known", o.Only))
	}
	return errors.Join(errs...)
}

// Site is an invented place.
type Site struct {
	ID, Name, Zone      string
	Latitude, Longitude float64
}

// Fleet is a set of simulated machines.
type Fleet struct {
	Options  Options
	Sites    []Site
	Machines []*Machine
	now      float64 // s since the start
	pending  []Message
}

var (
	basicSet    = setOf(collector.CabinetAir, collector.MainsCurrent)
	standardSet = setOf(collector.CabinetAir, collector.CoilOut, collector.CompressorCurrent, collector.Ambient, collector.Door)
	fullSet     = standardSet | setOf(collector.SupplyAir, collector.CoilIn, collector.Condenser, collector.EvapFanCurrent,
		collector.CondFanCurrent, collector.CompressorCall, collector.MainsVoltage, collector.Humidity)
)

func setOf(list ...collector.Channel) collector.ChannelSet {
	var s collector.ChannelSet
	for _, c := range list {
		s = s.With(c)
	}
	return s
}

func drawSet(r *rand.Rand, mix Mix, kind fleet.Kind) (string, collector.ChannelSet) {
	name, has := "random", collector.ChannelSet(0)
	switch x := r.Float64(); {
	case x < mix.Basic:
		name, has = "basic", basicSet
	case x < mix.Basic+mix.Standard:
		name, has = "standard", standardSet
	case x < mix.Basic+mix.Standard+mix.Full:
		name, has = "full", fullSet
		for _, c := range []collector.Channel{collector.CompressorShell, collector.MainsCurrent, collector.Energy, collector.EvapFanSpeed, collector.CondFanSpeed} {
			if r.Float64() < 0.25 {
				has = has.With(c)
			}
		}
	default:
		p := between(r, 0.15, 0.9)
		for c := range collector.Channel(collector.NumChannels) {
			if r.Float64() < p {
				has = has.With(c)
			}
		}
		if r.Float64() < 0.95 {
			has = has.With(collector.CabinetAir)
		}
		if has&setOf(collector.CompressorCurrent, collector.MainsCurrent, collector.CoilOut, collector.CompressorCall) == 0 {
			has = has.With(collector.MainsCurrent)
		}
	}
	if kind == fleet.OpenFront {
		has &^= 1 << collector.Door
	}
	return name, has
}

var siteNames = []Site{
	{"quillmere", "Quillmere Works, canteen", "America/New_York", 41.31, -80.42}, {"larkstone", "Larkstone Hall", "America/Chicago", 39.87, -89.71},
	{"tolverton", "Tolverton Yard", "America/Denver", 39.55, -105.13}, {"brindlecross", "Brindlecross Station", "Europe/London", 52.61, -1.72},
	{"ostervale", "Ostervale Clinic", "Europe/Berlin", 51.42, 8.31}, {"ferncombe", "Ferncombe College", "America/New_York", 40.12, -76.21},
	{"hollin-quay", "Hollin Quay", "America/Los_Angeles", 38.02, -121.9}, {"marrowgate", "Marrowgate Depot", "America/Phoenix", 33.71, -112.32},
	{"sandbeck", "Sandbeck Print", "Europe/Madrid", 40.22, -3.94}, {"withybrook", "Withybrook Mill", "America/Chicago", 41.72, -88.12},
}

// NewFleet draws a fleet. The same options give the same fleet.
func NewFleet(o Options) (*Fleet, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(o.Seed, 0x636f696c))
	f := &Fleet{Options: o}
	n := max(1, min(len(siteNames), o.Machines/4))
	f.Sites = append(f.Sites, siteNames[:n]...)
	type local struct {
		weather *Weather
		offset  float64
		down    [][2]float64
		blips   []event
	}
	locals := make([]local, n)
	horizon := float64(o.Days) * 86400
	for i := range locals {
		zone, err := time.LoadLocation(f.Sites[i].Zone)
		if err != nil {
			return nil, fmt.Errorf("time zone of site %s: %w", f.Sites[i].ID, err)
		}
		l := &locals[i]
		l.offset = localOffset(zone, o.Start)
		l.weather = DrawWeather(r, o.Days+2, 12*3600-l.offset)
		for range o.Days {
			if r.Float64() < 0.15 {
				at := r.Float64() * horizon
				l.down = append(l.down, [2]float64{at, at + spread(r, 1500, 1)})
			}
			if r.Float64() < 0.04 {
				at := r.Float64() * horizon
				l.blips = append(l.blips, event{at: at, until: at + spread(r, 60, 1.6), kind: blip})
			}
		}
	}
	for i := range o.Machines {
		k := r.IntN(n)
		kind := fleet.Kind([]int{0, 0, 0, 1, 1, 1, 2, 2, 2, 3}[r.IntN(10)])
		set, has := drawSet(r, o.Mix, kind)
		own := rand.New(rand.NewPCG(r.Uint64(), r.Uint64()))
		m := newMachine(own, fmt.Sprintf("cab-%04d", 1000+i*7+int(o.Seed%7)), f.Sites[k].ID, kind, set, has, &o, locals[k].weather, locals[k].offset, locals[k].down, locals[k].blips)
		if own.Float64() < o.FaultShare {
			m.fail(own, &o, o.Only)
			if own.Float64() < o.SecondShare {
				m.fail(own, &o, fault.Well)
			}
		}
		f.Machines = append(f.Machines, m)
	}
	f.begin()
	return f, nil
}

// begin settles every machine, once its faults are known.
func (f *Fleet) begin() {
	f.gateways()
	f.each(func(m *Machine) []Message { m.begin(&f.Options); return nil })
}

// gateways gives every machine of a site with a silent gateway the same silence.
func (f *Fleet) gateways() {
	for _, m := range f.Machines {
		for _, ep := range m.Episodes {
			if ep.Fault != fault.Silent || ep.Mode != "gateway" || ep.Peak < 1 {
				continue
			}
			for _, o := range f.Machines {
				if o == m || o.Site != m.Site {
					continue
				}
				twice := false
				for _, x := range o.Episodes {
					twice = twice || x.Fault == fault.Silent
				}
				if !twice {
					ep2 := ep
					ep2.Peak = 0.999 // the same gateway: not spread again
					o.Episodes = append(o.Episodes, ep2)
				}
			}
		}
	}
}

// each runs one function for every machine, on all workers, and gathers the messages in
// the order of the machines.
func (f *Fleet) each(do func(*Machine) []Message) {
	workers := f.Options.Workers
	if workers < 1 {
		workers = runtime.GOMAXPROCS(0)
	}
	out := make([][]Message, len(f.Machines))
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for i := range next {
				out[i] = do(f.Machines[i])
			}
		})
	}
	for i := range f.Machines {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, v := range out {
		f.pending = append(f.pending, v...)
	}
}

// Advance simulates d more and returns, in the order in which the broker got them,
// the messages received until then. Those still on the way stay for later.
func (f *Fleet) Advance(d time.Duration) []Message {
	f.now += d.Seconds()
	f.each(func(m *Machine) []Message {
		var v []Message
		m.Advance(f.now, &v)
		return v
	})
	sortMessages(f.pending)
	i := 0
	for i < len(f.pending) && f.pending[i].Received <= f.now {
		i++
	}
	ready := f.pending[:i:i]
	f.pending = append([]Message(nil), f.pending[i:]...)
	return ready
}

// Now returns the simulated time.
func (f *Fleet) Now() time.Time {
	return f.Options.Start.Add(time.Duration(f.now * float64(time.Second)))
}

// Truth returns the truth so far; call it at the end.
func (f *Fleet) Truth() Truth {
	o := f.Options
	t := Truth{Set: o.Name, Seed: o.Seed, Days: o.Days, Start: o.Start.UTC().Format(time.RFC3339), StartS: o.Start.Unix(), Faults: faultNames(),
		Note: "times are true (broker) time; *_s are seconds since start"}
	for _, m := range f.Machines {
		t.Machines = append(t.Machines, m.truth(o.Days))
	}
	return t
}

// YAML returns the fleet file.
func (f *Fleet) YAML() string {
	var b strings.Builder
	b.WriteString("sites:\n")
	for _, s := range f.Sites {
		var list []*Machine
		for _, m := range f.Machines {
			if m.Site == s.ID {
				list = append(list, m)
			}
		}
		if len(list) == 0 {
			continue
		}
		fmt.Fprintf(&b, "  - id: %s\n    name: %s\n    latitude: %.2f\n    longitude: %.2f\n    timezone: %s\n    machines:\n", s.ID, s.Name, s.Latitude, s.Longitude, s.Zone)
		for _, m := range list {
			m.yaml(&b)
		}
	}
	return b.String()
}

// writtenSetpoint is what the fleet file says the thermostat is set to, °C: not always
// what it is set to now.
func (m *Machine) writtenSetpoint() float64 {
	is, most := (m.Design.CutIn+m.Design.CutOut)/2, 6.0
	if m.Design.Product != fleet.SealedBeverage {
		most = 4
	}
	if m.Given.turned == 0 {
		return is
	}
	return math.Min(math.Max(is-m.Given.turned, 0.5), most)
}

func (m *Machine) yaml(b *strings.Builder) {
	d := m.Design
	fmt.Fprintf(b, "      - id: %s\n        kind: %s\n        product: %s\n", m.ID, kindNames[d.Kind], productNames[d.Product])
	if m.Given.band && !d.SensorOnCoil {
		fmt.Fprintf(b, "        setpoint: %.1f\n        differential: %.1f\n", m.writtenSetpoint(), d.CutIn-d.CutOut)
	}
	if m.Given.refrigerant {
		fmt.Fprintf(b, "        refrigerant: %s\n", d.Refrigerant.name)
	}
	if m.Given.fan {
		fmt.Fprintf(b, "        evaporator_fan: %s\n", fanNames[d.FanControl])
	}
	if m.Given.volume {
		fmt.Fprintf(b, "        refrigerated_volume: %.2f\n", d.Volume)
	}
	if m.Given.value {
		fmt.Fprintf(b, "        load_value: %d\n", m.Value)
	}
	if m.Given.channels {
		var names []string
		for c := range m.sampler.Has.All {
			names = append(names, c.String())
		}
		fmt.Fprintf(b, "        channels: [%s]\n", strings.Join(names, ", "))
	}
}
