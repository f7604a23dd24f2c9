package board

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// world is a fleet that does not exist, at one fixed moment. All of it is
// invented; the alerts in it obey the real table of moves.
type world struct {
	mu     sync.Mutex
	now    time.Time
	speed  float64
	fleet  *fleet.Fleet
	views  map[string]detect.View
	open   []alerts.Alert
	steps  map[string][]alerts.Step
	health []Degraded
	plans  map[string]Arrival
	fail   error // of the alert queue
}

var fixedNow = time.Date(2026, 7, 3, 18, 20, 0, 0, time.UTC)

var siteNames = []string{"Oak Mill Works, canteen", "Harbour Street Clinic", "Tarn Lane School", "Pier Nine Ferry Hall",
	"Quarry Road Depot", "Fennel Park Pool", "Signal Hill College", "Brick Row Library"}

// newWorld makes machines spread over sites, all well.
func newWorld(t testing.TB, machines, perSite int) *world {
	t.Helper()
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	w := &world{now: fixedNow, speed: 1, views: map[string]detect.View{}, steps: map[string][]alerts.Step{}, plans: map[string]Arrival{}}
	var sites []*fleet.Site
	for i := range machines {
		if i%perSite == 0 {
			n := len(sites)
			name := siteNames[n%len(siteNames)]
			if n >= len(siteNames) {
				name = fmt.Sprintf("%s %d", name, n/len(siteNames)+1)
			}
			sites = append(sites, &fleet.Site{ID: fmt.Sprintf("site-%02d", n+1), Name: name, Location: loc})
		}
		s := sites[len(sites)-1]
		m := &fleet.Machine{ID: fmt.Sprintf("cab-%04d", 401+i), Site: s.ID, Kind: fleet.Kind(i % fleet.NumKinds), Product: fleet.Product(i % 5 / 2),
			LoadValue: float64(180 + i*37%600), Refrigerant: []string{"R-290", "R-134a", ""}[i%3]}
		m.Limits = m.Product.Limits()
		s.Machines = append(s.Machines, m)
		v := detect.View{Machine: m.ID, Site: s.ID, At: collector.MillisOf(w.now.Add(-40 * time.Second)), LastHeard: collector.MillisOf(w.now.Add(-38 * time.Second)),
			Run: detect.Stopped, RunFraction: 0.38 + 0.01*float64(i%12), HasProduct: true, ProductTemperature: quantity.Celsius(3 + 0.1*float64(i%13)), ProductSD: 0.3,
			WellProbability: 0.993, CapacityShare: 0.9 + 0.01*float64(i%12), HasHotDayLimit: true, HotDayLimit: quantity.Celsius(36 + i%7), HotDaySD: 3.2, HotDay: detect.HotDayOwn, Learned: i%9 != 0,
			CutOut: 1.6, CutIn: 4.4}
		for _, c := range []collector.Channel{collector.CabinetAir, collector.CoilOut, collector.CompressorCurrent, collector.Ambient, collector.Door,
			collector.SupplyAir, collector.CoilIn, collector.Condenser, collector.EvapFanCurrent, collector.CondFanCurrent, collector.CompressorCall} {
			v.Has = v.Has.With(c)
		}
		v.Value[collector.CabinetAir], v.Value[collector.CoilOut], v.Value[collector.Ambient] = 3.4, -5.1, 24.1
		v.Value[collector.Condenser], v.Value[collector.CompressorCurrent] = 39.5, 2.9
		v.Happenings = []detect.Happening{
			{Kind: detect.Defrost, From: collector.MillisOf(w.now.Add(-15 * time.Hour)), To: collector.MillisOf(w.now.Add(-14*time.Hour - 30*time.Minute)), Text: "timed: a pause of 30 min, the coil went to 4.0 °C; one every 8.0 h"},
			{Kind: detect.Restock, From: collector.MillisOf(w.now.Add(-9 * time.Hour)), To: collector.MillisOf(w.now.Add(-6 * time.Hour)), Text: "air rose 5.5 K after 6 min of door, product about 2.1 K warmer"},
		}
		w.views[m.ID] = v
	}
	w.fleet = fleet.New(sites...)
	return w
}

// hurt puts a machine in trouble.
func (w *world) hurt(machine string, f fault.Fault, p float64, left time.Duration, product float64, priority alerts.Priority, state alerts.State) string {
	v := w.views[machine]
	at := func(d time.Duration) collector.Millis { return collector.MillisOf(w.now.Add(d)) }
	id := fmt.Sprintf("F-%06d", len(w.open)+1)
	finding := detect.Finding{ID: id, Machine: machine, Site: v.Site, At: at(-50 * time.Minute), RaisedAt: at(-50 * time.Minute), Since: at(-4 * time.Hour), Fault: f, Probability: p,
		HasProduct: true, ProductTemperature: quantity.Celsius(product),
		Candidates: []detect.Candidate{{Fault: f, Probability: p}, {Fault: fault.CoilIced, Probability: (1 - p) * 0.7}, {Fault: fault.Unknown, Probability: (1 - p) * 0.3}},
		Evidence: []detect.Evidence{
			{Text: "coil 9.8 K below air while running; this machine's normal is 6.1 ± 0.5 K", Channel: collector.CoilOut, Since: at(-4 * time.Hour), Weight: 4.1},
			{Text: "evaporator fan draws 0.02 A; its normal is 0.31 ± 0.02 A", Channel: collector.EvapFanCurrent, Since: at(-4*time.Hour + 2*time.Minute), Weight: 3.2},
			{Text: "runs 92 % of the time, expected 44 % at 24.1 °C ambient", Channel: collector.CompressorCall, Since: at(-2 * time.Hour), Weight: 1.4},
		},
		RuledOut: []detect.Evidence{{Text: "not door-open: shut for all but 3 min since 14:00", Channel: collector.Door, Weight: -2.2},
			{Text: "not condenser-blocked: condenser 15.2 K over ambient, its normal is 15.0 ± 0.8 K", Channel: collector.Condenser, Weight: -1.9}},
	}
	if left != 0 {
		finding.LimitAt, finding.LimitEarly, finding.LimitLate = at(left), at(left*8/10), at(left*14/10)
		finding.LimitSide = detect.Warm
	}
	v.OpenFindings = append(v.OpenFindings, finding)
	v.ProductTemperature, v.WellProbability, v.CapacityShare, v.Run, v.RunFraction = quantity.Celsius(product), 0.01, 0.31, detect.Running, 0.81
	w.views[machine] = v
	a := alerts.Alert{ID: "A-" + id[2:], Machine: machine, Site: v.Site, Members: []alerts.Member{{Finding: id, Machine: machine, Site: v.Site, Fault: f, Active: true}},
		Active: true, Priority: priority, Fault: f, Probability: p, Candidates: finding.Candidates,
		LimitAt: finding.LimitAt, Since: finding.Since}
	m, _ := w.fleet.Machine(machine)
	a.Basis = alerts.Reason{Currency: "$", Value: 420, Product: m.Product, Machines: 1, Fault: f, Limits: m.Limits, LimitAt: finding.LimitAt, Side: finding.LimitSide,
		Travel: 50 * time.Minute, Sick: 1}
	if left < 0 {
		a.Basis.OutSince = finding.LimitAt
	}
	a.Why = a.Basis.Line(collector.MillisOf(w.now), alerts.Live{})
	w.do(&a, alerts.Order{Verb: alerts.Raise, By: alerts.Actor{Role: alerts.Model}, At: at(-48 * time.Minute)})
	switch state {
	case alerts.Acknowledged:
		w.do(&a, alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Operator, Name: "Ana"}, At: at(-20 * time.Minute)})
	case alerts.Shelved:
		w.do(&a, alerts.Order{Verb: alerts.Shelve, By: alerts.Actor{Role: alerts.Operator, Name: "Ana"}, At: at(-20 * time.Minute), Reason: "gasket is ordered", Until: at(20 * time.Hour)})
	}
	w.open = append(w.open, a)
	return a.ID
}

func (w *world) do(a *alerts.Alert, o alerts.Order) {
	s, err := a.Do(o)
	if err != nil {
		panic(err)
	}
	w.steps[a.ID] = append(w.steps[a.ID], s)
}

// troubled is the usual fleet of the tests: 40 machines, 5 in trouble.
func troubled(t testing.TB) *world {
	w := newWorld(t, 40, 6)
	w.hurt("cab-0403", fault.EvaporatorFanStopped, 0.94, 2*time.Hour+10*time.Minute, 4.1, alerts.Critical, alerts.Unacknowledged)
	w.hurt("cab-0417", fault.CompressorNotStarting, 0.81, 6*time.Hour+40*time.Minute, 5.2, alerts.High, alerts.Acknowledged)
	w.hurt("cab-0429", fault.CondenserBlocked, 0.58, 15*time.Hour, 4.4, alerts.Medium, alerts.Unacknowledged)
	w.hurt("cab-0408", fault.CompressorNotStarting, 0.97, -25*time.Minute, 7.6, alerts.Critical, alerts.Unacknowledged)
	w.hurt("cab-0435", fault.DoorLeak, 0.71, 0, 4.0, alerts.Low, alerts.Shelved)
	w.plans["cab-0417"] = Arrival{Who: "Ben", At: w.now.Add(3*time.Hour + 20*time.Minute)}
	w.plans["cab-0403"] = Arrival{Who: "Ben", At: w.now.Add(50 * time.Minute)}
	w.plans["cab-0429"] = Arrival{Who: "Cy", At: w.now.Add(18 * time.Hour)}
	return w
}

func (w *world) Views() iter.Seq[detect.View] {
	return func(yield func(detect.View) bool) {
		for _, v := range w.views { // any order: the board sorts
			if !yield(v) {
				return
			}
		}
	}
}

func (w *world) View(machine string) (detect.View, bool) { v, ok := w.views[machine]; return v, ok }

// minute is what a cabinet shows at t: cycles of 24 minutes, a restock nine
// hours ago, and in trouble a rise over the last four hours.
func (w *world) minute(machine string, t time.Time) (r collector.Reading, run bool, product float64) {
	sick := len(w.views[machine].OpenFindings) > 0
	age := w.now.Sub(t).Hours()
	phase := math.Mod(float64(t.Unix())/60, 24)
	run = phase < 10
	product = 3.2 + 0.3*math.Sin(float64(t.Unix())/43200*math.Pi) + 2.1*math.Exp(-max(0, 9-age)/2)*b2f(age < 9)
	air := product - 0.6 + 1.8*math.Abs(phase-10)/14 + 3.4*math.Exp(-max(0, 9-age)/0.8)*b2f(age < 9)
	coil := air - 6.1
	if !run {
		coil = air - 1
	}
	fan := 0.31
	if sick && age < 4 {
		run, product, air = math.Mod(phase, 24) < 22, product+0.3*(4-age), air+0.75*(4-age)
		coil, fan = air-9.8, 0.02
	}
	r = collector.Reading{Machine: machine, At: collector.MillisOf(t)}
	set := func(c collector.Channel, v float64) { r.Has, r.Value[c] = r.Has.With(c), v }
	noise := 0.08 * math.Sin(float64(t.Unix())*1.7)
	set(collector.CabinetAir, air+noise)
	set(collector.SupplyAir, air-2.2*b2f(run)-0.4)
	set(collector.CoilOut, coil)
	set(collector.CoilIn, coil-1.2*b2f(run))
	ambient := 24 + 3*math.Sin(float64(t.Unix()-50000)/86400*2*math.Pi)
	set(collector.Ambient, ambient)
	set(collector.Condenser, ambient+15.2*b2f(run)+1)
	set(collector.CompressorCurrent, 2.9*b2f(run)+noise/4*b2f(run))
	set(collector.EvapFanCurrent, fan)
	set(collector.CondFanCurrent, 0.28*b2f(run))
	set(collector.CompressorCall, b2f(run))
	set(collector.Door, b2f(t.Minute()%47 == 3 && t.Hour() > 10))
	return r, run, product
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (w *world) Readings(_ context.Context, machine string, from, to time.Time) iter.Seq2[*collector.Reading, error] {
	return func(yield func(*collector.Reading, error) bool) {
		if _, ok := w.views[machine]; !ok {
			return
		}
		for t := from.Truncate(time.Minute); !t.After(to); t = t.Add(time.Minute) {
			if gap := w.now.Sub(t); gap > 19*time.Hour && gap < 20*time.Hour {
				continue // a link outage
			}
			if r, _, _ := w.minute(machine, t); !yield(&r, nil) {
				return
			}
		}
	}
}

func (w *world) Trace(_ context.Context, machine string, from, to time.Time) ([]detect.TracePoint, error) {
	var out []detect.TracePoint
	if _, ok := w.views[machine]; !ok {
		return nil, nil
	}
	for t := from.Truncate(time.Minute); !t.After(to); t = t.Add(time.Minute) {
		if gap := w.now.Sub(t); gap > 19*time.Hour && gap < 20*time.Hour {
			continue
		}
		_, run, product := w.minute(machine, t)
		state := detect.Stopped
		if run {
			state = detect.Running
		}
		out = append(out, detect.TracePoint{At: collector.MillisOf(t), Run: state, AirLow: 1.8, AirHigh: 5,
			Product: quantity.Celsius(product), ProductLow: quantity.Celsius(product - 0.4), ProductHigh: quantity.Celsius(product + 0.4)})
	}
	return out, nil
}

func (w *world) Alerts() []alerts.Alert {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []alerts.Alert
	for i := range w.open {
		if w.open[i].State != alerts.Normal {
			out = append(out, w.open[i].Clone())
		}
	}
	return out
}

func (w *world) Alert(_ context.Context, id string) (alerts.Alert, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	i := slices.IndexFunc(w.open, func(a alerts.Alert) bool { return a.ID == id })
	if i < 0 {
		return alerts.Alert{}, fmt.Errorf("alert %s: %w", id, ledger.ErrNone)
	}
	return w.open[i].Clone(), nil
}

func (w *world) Do(_ context.Context, id string, o alerts.Order) ([]alerts.Change, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	i := slices.IndexFunc(w.open, func(a alerts.Alert) bool { return a.ID == id })
	if i < 0 {
		return nil, fmt.Errorf("alert %s: %w", id, ledger.ErrNone)
	}
	s, err := w.open[i].Do(o)
	if err == nil {
		w.steps[id] = append(w.steps[id], s)
	}
	return nil, err
}

func (w *world) Moves(_ context.Context, id string) ([]alerts.Step, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.steps[id]), w.fail
}

func (w *world) Now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

func (w *world) Speed() float64 { return w.speed }

func (w *world) pass(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = w.now.Add(d)
}

func (w *world) board(t testing.TB) *Board {
	t.Helper()
	b, err := New(Options{Fleet: func() *fleet.Fleet { return w.fleet }, Models: w, History: w, Desk: w, Ledger: w, Clock: w,
		Health: func() []Degraded { return w.health }, Arrival: func(m, _ string) (Arrival, bool) { a, ok := w.plans[m]; return a, ok },
		Version: "test", Log: zerolog.Nop(), Refresh: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}
