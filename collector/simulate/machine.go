package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Machine is one cabinet with its place, its people, its sensors and its link.
type Machine struct {
	ID, Site string
	Set      string
	Interval float64 // s
	Design   *Design
	Link     *Link
	Episodes []Episode
	Value    int // money on board
	Given    given

	place              *Place
	swaps              []swap
	real, twin         *Cabinet // twin is nil when nothing physical is wrong
	sampler            *Sampler
	twinSampler        *Sampler
	start              float64 // Unix s
	now, nextSample    float64 // s since the start
	settled            bool
	topic, statusTopic string
	record             *record
	world              World
	effect             Effect
	well               Effect
}

// given is what the fleet file says of the machine beyond what it must.
type given struct {
	band, refrigerant, fan, volume, value, channels bool

	turned float64 // K by which somebody turned the thermostat up since the file was written
}

// turnedUntold is the share of machines whose thermostat somebody has turned and not
// written down (from memory).
const turnedUntold = 0.08

// drawTurned draws by how much a machine's thermostat was turned that nobody wrote down.
func drawTurned(o *Options, id string) float64 {
	r := apart(o, id+"/turned")
	if r.Float64() >= turnedUntold {
		return 0
	}
	return 0.9 * r.NormFloat64()
}

// warmUp is how long a machine runs before its first message, s: long enough
// for walls and product to forget how they were started.
const warmUp = 36 * 3600

// newMachine draws a machine with the channels has.
func newMachine(r *rand.Rand, id, site string, kind fleet.Kind, set string, has collector.ChannelSet, o *Options, w *Weather, offset float64, siteDown [][2]float64, siteBlips []event) *Machine {
	d := DrawDesign(r, kind)
	m := machineOf(r, id, site, &d, has, o, w, offset, siteDown, siteBlips)
	m.Set = set
	return m
}

// machineOf draws what surrounds a cabinet of design d.
func machineOf(r *rand.Rand, id, site string, d *Design, has collector.ChannelSet, o *Options, w *Weather, offset float64, siteDown [][2]float64, siteBlips []event) *Machine {
	m := &Machine{ID: id, Site: site, Design: d, start: float64(o.Start.Unix()),
		topic: "cabinets/" + site + "/" + id + "/readings", statusTopic: "cabinets/" + site + "/" + id + "/status"}
	m.Interval = []float64{60, 60, 60, 60, 60, 30, 30, 120, 120, 300, 10}[r.IntN(11)]
	if o.Interval > 0 {
		m.Interval = o.Interval
	}
	m.nextSample = math.Floor(r.Float64()*m.Interval/stepSeconds) * stepSeconds
	m.place = drawPlace(r, d, w, o.Days, offset, siteBlips)
	m.sampler = drawSampler(r, has)
	m.Link = drawLink(r, id, siteDown, float64(o.Days))
	m.Value = 10 * int(spread(r, 45, 0.5))
	m.Given = given{band: r.Float64() < 0.7, refrigerant: r.Float64() < 0.8, fan: r.Float64() < 0.7, volume: r.Float64() < 0.5, value: r.Float64() < 0.8, channels: r.Float64() < 0.5,
		turned: drawTurned(o, id)}
	m.real = NewCabinet(d, m.place.base, r.Float64())
	m.swaps = drawSwaps(o, id, has)
	return m
}

// fail draws a fault of the machine; Well: any.
func (m *Machine) fail(r *rand.Rand, o *Options, f fault.Fault) {
	ep := drawEpisode(r, m.Design, m.sampler.Has, float64(o.Days), f, "")
	// What people do to a machine they mostly do when they are there anyway.
	share, kinds := 0.0, []eventKind{restock, cleaning}
	switch {
	case ep.Fault == fault.DoorOpen:
		share, kinds = 0.6, kinds[:1]
	case ep.Fault == fault.PowerLost && ep.Mode == "unplugged":
		share, kinds = 0.4, kinds[1:]
	case ep.Fault == fault.DoorLeak && ep.Mode == "hinge", ep.Fault == fault.CondenserBlocked && ep.Mode == "clearance":
		share = 0.3
	}
	if r.Float64() < share {
		if at, ok := m.place.visitEnd(ep.Onset, kinds...); ok {
			last := 0.0
			if !math.IsInf(ep.End, 1) {
				last = ep.End - ep.Onset
			}
			ep.move(at, last)
		}
	}
	m.Episodes = append(m.Episodes, ep)
}

// begin settles the machine and, if it will have a physical fault and the truth is
// kept, makes its twin.
func (m *Machine) begin(o *Options) {
	for i := range m.Episodes {
		if ep := &m.Episodes[i]; ep.Repaired() {
			// Whoever repairs it opens the door for a while.
			m.place.events = append(m.place.events, event{at: ep.End - 900, until: ep.End + 300, kind: service})
		}
	}
	m.place.sortEvents()
	slices.SortFunc(m.Episodes, func(a, b Episode) int { return int(a.Onset - b.Onset) })
	if !m.settled {
		m.settle()
	}
	m.real.Trips, m.real.EnergyWh = 0, 1000*math.Floor(math.Abs(m.start/1e6)*7)
	if o.NoTruth {
		return
	}
	m.record = newRecord(m, o.Days)
	for i := range m.Episodes {
		if m.Episodes[i].Physical() {
			t, s := *m.real, *m.sampler
			s.rng = rand.New(rand.NewPCG(2, 3))
			m.twin, m.twinSampler = &t, &s
			break
		}
	}
}

// settle lets walls and product forget how they were started, while nobody comes.
func (m *Machine) settle() {
	var w World
	quiet := *m.place
	quiet.events, quiet.active, quiet.next = nil, nil, 0
	quiet.rng = rand.New(rand.NewPCG(1, uint64(len(m.ID))))
	for t := -float64(warmUp); t < 0; t += stepSeconds {
		quiet.World(&w, t+math.Ceil(warmUp/86400.0)*86400)
		m.real.Step(&w, &m.well)
	}
}

// lives settles the machine while the people of its place come, and reports whether it
// stands them: its coil keeps clear and its overload closed.
func (m *Machine) lives() bool {
	var w World
	busy := *m.place
	busy.rng = rand.New(rand.NewPCG(1, uint64(len(m.ID))))
	for t := 0.0; t < warmUp; t += stepSeconds {
		busy.World(&w, t)
		m.real.Step(&w, &m.well)
	}
	m.settled = true
	return m.real.Blocked() < icedToTheEye && m.real.Trips == 0
}

func (m *Machine) silent(t float64) bool {
	for i := range m.Episodes {
		if ep := &m.Episodes[i]; ep.Fault == fault.Silent && ep.Severity(t) > 0 {
			return true
		}
	}
	return false
}

// icedToTheEye is the share of a coil closed by ice from which everybody sees it: who
// repairs the machine does not leave before it is thawed, and who calls the coil iced is
// right, whatever the ice came from.
const icedToTheEye = 0.25

// mended thaws the coil where somebody has just repaired the machine.
func (m *Machine) mended() {
	for i := range m.Episodes {
		ep := &m.Episodes[i]
		if ep.Repaired() && ep.End <= m.now && m.now < ep.End+stepSeconds && m.real.Blocked() > icedToTheEye {
			m.real.Thaw()
		}
	}
}

// Advance simulates up to t s since the start and appends the messages sent.
func (m *Machine) Advance(t float64, out *[]Message) {
	for m.now < t {
		m.place.World(&m.world, m.now)
		m.effect = Effect{}
		for i := range m.Episodes {
			m.Episodes[i].Apply(&m.effect, m.now)
		}
		m.mended()
		m.real.Step(&m.world, &m.effect)
		m.sampler.follow(m.real, &m.world, &m.effect)
		if m.twin != nil {
			m.twin.Step(&m.world, &m.well)
			m.twinSampler.follow(m.twin, &m.world, &m.well)
		}
		m.now += stepSeconds
		m.record.step(m)
		if m.now >= m.nextSample {
			m.nextSample += m.Interval
			var in instant
			in.at = m.now
			in.has = m.sampler.read(&in.v, m.Episodes, m.now)
			m.swap(&in)
			lit := m.world.Power && !m.effect.PowerOff || m.Link.Battery
			n := len(*out)
			m.report(m.now, in, lit, out)
			m.record.heard((*out)[n:])
		}
	}
}

func (m *Machine) String() string { return fmt.Sprintf("%s/%s (%s)", m.Site, m.ID, m.Set) }
