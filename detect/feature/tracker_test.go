package feature_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/feature"
)

const minute = collector.Millis(60_000)

// midnight is some midnight, UTC.
const midnight = collector.Millis(1_760_000_000_000 / 86_400_000 * 86_400_000)

// cabinet is a machine with numbers of round shape: it runs ten minutes of
// every thirty, its air swings between cut-out and cut-in, and every channel
// stands at its own level in each half of the cycle with white noise about it.
type cabinet struct {
	rng   *rand.Rand
	has   collector.ChannelSet
	noisy float64 // K, standard deviation of the coil outlet
	gap   float64 // K, coil outlet below the air, running
	lift  float64 // K, condenser over ambient, running
	amps  float64
	warm  float64 // K, added to the air
	at    collector.Millis
}

const allTemperatures = collector.ChannelSet(1<<collector.CabinetAir | 1<<collector.SupplyAir | 1<<collector.CoilIn | 1<<collector.CoilOut |
	1<<collector.Condenser | 1<<collector.CompressorShell | 1<<collector.Ambient)

func newCabinet(seed uint64) *cabinet {
	return &cabinet{rng: rand.New(rand.NewPCG(seed, 1)), has: allTemperatures.With(collector.CompressorCurrent),
		noisy: 1, gap: 9, lift: 16, amps: 2, at: midnight}
}

// next returns the reading of the next minute.
func (c *cabinet) next() *collector.Reading {
	c.at += minute
	r := &collector.Reading{Machine: "cab-1", Site: "site-1", At: c.at, Has: c.has}
	phase := float64(c.at / minute % 30)
	on := phase >= 20
	air := 2 + 3*phase/20 // warms from 2 to 5 °C, then is drawn down again
	if on {
		air = 5 - 3*(phase-20)/10
	}
	v := &r.Value
	noise := func(sd float64) float64 { return c.rng.NormFloat64() * sd }
	v[collector.CabinetAir] = air + c.warm + noise(0.02)
	day := float64(c.at%86_400_000) / 86_400_000
	v[collector.Ambient] = 24 + 3*math.Sin(2*math.Pi*day) + noise(0.05)
	v[collector.CoilIn] = v[collector.CabinetAir] + noise(0.1)
	v[collector.CoilOut] = v[collector.CabinetAir] + noise(0.1)
	v[collector.SupplyAir] = v[collector.CabinetAir] + noise(0.1)
	// A condenser has mass: it follows with about three minutes.
	lift := c.lift * math.Exp(-phase/3)
	if on {
		lift = c.lift * (1 - math.Exp(-(phase-19)/3))
	}
	v[collector.Condenser] = v[collector.Ambient] + lift + noise(0.3)
	v[collector.CompressorShell] = v[collector.Ambient] + 16 + noise(0.2)
	if on {
		v[collector.CoilOut] = v[collector.CabinetAir] - c.gap + noise(c.noisy)
		v[collector.CoilIn] = v[collector.CabinetAir] - c.gap - 1 + noise(0.3)
		v[collector.SupplyAir] = v[collector.CabinetAir] - 6 + noise(0.2)
		v[collector.CompressorCurrent] = c.amps * (1 + noise(0.01))
	}
	return r
}

// live feeds days of it to t with the machine held well by that probability.
func (c *cabinet) live(t *feature.Tracker, days, well float64) {
	for range int(days * 1440) {
		t.Observe(c.next(), well)
	}
}

func spec() *fleet.Machine { return &fleet.Machine{ID: "cab-1", Site: "site-1"} }

func (c *cabinet) tracker() feature.Tracker { return feature.New(spec()) }

// z undoes the compression: how many standard deviations a feature says.
func z(v *feature.Vector, i feature.ID) float64 {
	if !v.Has[i] {
		return math.NaN()
	}
	return 2 * math.Sinh(float64(v.Value[i]))
}

func fill(t *feature.Tracker, at collector.Millis) *feature.Vector {
	v := new(feature.Vector)
	t.Fill(v, at)
	return v
}

// A step of k standard deviations reads as k standard deviations, either way.
func TestStepOfKSigmaReadsAsKSigma(t *testing.T) {
	for _, k := range []float64{-12, -6, -3, 0, 3, 6, 12} {
		c := newCabinet(3)
		tr := c.tracker()
		c.live(&tr, 6, 1)
		c.gap += k * c.noisy
		c.live(&tr, 0.15, 0) // three to four hours, of which it learns nothing
		got := z(fill(&tr, c.at), feature.AirCoil)
		// The mean of about twelve minutes of noise strays by 0.4, the learned
		// standard deviation by a few hundredths.
		if math.Abs(got-k) > 0.7+0.08*math.Abs(k) {
			t.Errorf("a step of %v σ reads %.2f σ", k, got)
		}
	}
}

// The same step in a machine with half the noise is twice as many.
func TestEachMachineHasItsOwnMeasure(t *testing.T) {
	step := func(sd float64) float64 {
		c := newCabinet(5)
		c.noisy = sd
		tr := c.tracker()
		c.live(&tr, 6, 1)
		c.gap += 6
		c.live(&tr, 0.15, 0)
		return z(fill(&tr, c.at), feature.AirCoil)
	}
	if calm, wild := step(1), step(2); math.Abs(calm/wild-2) > 0.3 {
		t.Errorf("6 K are %.1f σ of 1 K and %.1f σ of 2 K", calm, wild)
	}
}

// Values are compressed by asinh(z/2): thirty stands by ln 3 above ten, and
// what is wild does not outweigh all else.
func TestCompression(t *testing.T) {
	at := func(sigma float64) float64 {
		c := newCabinet(7)
		c.noisy = 0.5
		tr := c.tracker()
		c.live(&tr, 8, 1)
		c.gap += sigma * c.noisy
		c.live(&tr, 0.3, 0)
		return float64(fill(&tr, c.at).Value[feature.AirCoil])
	}
	if a, b := at(-10), at(-30); math.Abs(a-b-math.Log(3)) > 0.1 {
		t.Errorf("−10 σ gives %.2f, −30 σ %.2f; want ln 3 between", a, b)
	}
	if a, b := at(-10), at(10); math.Abs(a+b) > 0.2 {
		t.Errorf("10 σ gives %.2f, −10 σ %.2f", b, a)
	}
	for _, amps := range []float64{0, 25} {
		c := newCabinet(7)
		c.has = c.has.With(collector.EvapFanCurrent)
		tr := c.tracker()
		for m := range 5 * 1440 {
			r := c.next()
			r.Value[collector.EvapFanCurrent] = 0.1
			if m > 4*1440+1300 {
				r.Value[collector.EvapFanCurrent] = amps
			}
			tr.Observe(r, 1)
		}
		if x := math.Abs(float64(fill(&tr, c.at).Value[feature.EvapFanRun])); x < 2.5 || x > 4 {
			t.Errorf("a fan that goes from 0.1 A to %v A gives %.2f", amps, x)
		}
	}
}

// normal returns what the tracker holds to be this machine's well coil gap,
// and what it is now, K.
func normal(t *testing.T, tr *feature.Tracker, at collector.Millis) (usual, now float64) {
	t.Helper()
	n, ok := tr.Note(feature.AirCoil, fill(tr, at))
	if !ok {
		t.Fatal("nothing to say of the coil")
	}
	return float64(n.Normal), float64(n.Now)
}

// A fault far off does not become the normal: not in a day in which the model
// should take it for health, and not in weeks once it does not.
func TestFarOffIsNotLearned(t *testing.T) {
	for _, c := range []struct{ well, days float64 }{{1, 1}, {0.02, 14}} {
		cab := newCabinet(11)
		tr := cab.tracker()
		cab.live(&tr, 7, 1)
		before, _ := normal(t, &tr, cab.at)
		cab.gap -= 12
		cab.live(&tr, c.days, c.well)
		after, now := normal(t, &tr, cab.at)
		t.Logf("held well by %v for %v days: normal %.1f K became %.1f K, now %.1f K", c.well, c.days, before, after, now)
		if before-after > 0.6 {
			t.Errorf("held well by %v for %v days: normal went from %.1f K to %.1f K with the coil at %.1f K", c.well, c.days, before, after, now)
		}
	}
}

// A leak that takes two weeks is still told from normal at its end, though
// nobody should notice it on the way: the standard does not follow it down.
func TestSlowFaultIsNotLearned(t *testing.T) {
	const days, lost = 14, 7.0
	c := newCabinet(13)
	tr := c.tracker()
	c.live(&tr, 7, 1)
	before, _ := normal(t, &tr, c.at)
	for range days * 24 {
		c.gap -= lost / days / 24
		c.live(&tr, 1.0/24, 1)
	}
	after, now := normal(t, &tr, c.at)
	v := fill(&tr, c.at)
	fast, slow := z(v, feature.AirCoil), z(v, feature.Slow(feature.AirCoil))/2 // the slow twin counts double
	t.Logf("normal %.1f K became %.1f K, now %.1f K; %.1f σ fast, %.1f σ slow", before, after, now, fast, slow)
	if after-now < lost/2 {
		t.Errorf("of %v K lost in two weeks %.1f K have become normal", lost, before-after)
	}
	if fast > -1.5 || slow > -1.5 {
		t.Errorf("%v K lost in two weeks read %.1f σ and, slow, %.1f σ", lost, fast, slow)
	}
}

// What was so for hours is told as an average of hours, not by the last quarter of
// an hour, which may look like any other.
func TestSlowTwinsAreToldAsAverages(t *testing.T) {
	c := newCabinet(17)
	tr := c.tracker()
	c.live(&tr, 7, 1)
	c.gap -= 3
	c.live(&tr, 1, 0)
	c.gap += 3
	c.live(&tr, 2.0/24, 0)
	v := fill(&tr, c.at)
	fast, _ := tr.Note(feature.AirCoil, v)
	slow, ok := tr.Note(feature.Slow(feature.AirCoil), v)
	if !ok || slow.ID.Topic() != fast.ID.Topic() {
		t.Fatalf("%v told as %v", fast.ID, slow.ID)
	}
	if math.Abs(float64(fast.Now-fast.Normal)) > 0.7 || slow.Now > slow.Normal-1.2 || slow.Now < slow.Normal-3 {
		t.Errorf("3 K lost for a day, and well for 2 h: now %.1f K, on average %.1f K, normal %.1f K", fast.Now, slow.Now, slow.Normal)
	}
	if text := slow.Text(); !strings.Contains(text, ", on average of 5 h; this machine's normal is ") || strings.Contains(text, "±") || strings.Contains(fast.Text(), "average") {
		t.Errorf("%q, and of late %q", text, fast.Text())
	}
	last, _ := tr.Note(feature.Load, v)
	long, _ := tr.Note(feature.LoadSlow, v)
	if !strings.Contains(last.Text(), "of the last 3 h") || !strings.Contains(long.Text(), "of the last 10 h") || last.ID.Topic() != long.ID.Topic() {
		t.Errorf("%q and %q", last.Text(), long.Text())
	}
}

// What a gap hides is unknown: after hours of silence everything that lasts
// has not grown, and the well state is what it was.
func TestGapsAreSurvived(t *testing.T) {
	c := newCabinet(17)
	c.has = c.has.With(collector.Door).With(collector.CompressorCall)
	tr := c.tracker()
	c.live(&tr, 6, 1)
	before := fill(&tr, c.at)
	in, out, ok := tr.Band()
	if !ok || math.Abs(in-5) > 0.5 || math.Abs(out-2) > 0.5 {
		t.Fatalf("band %.2f … %.2f °C, known %v; want 5 and 2", in, out, ok)
	}
	stocked := c.next() // the door stands open as the silence begins, and when it ends
	stocked.Value[collector.Door] = 1
	tr.Observe(stocked, 1)
	c.at += 2 * 24 * 60 * minute // two days of nothing, to the same minute of the cycle
	stocked = c.next()
	stocked.Value[collector.Door] = 1
	tr.Observe(stocked, 1)
	if n, _ := tr.Note(feature.DoorMinutes, fill(&tr, c.at)); n.Now > 5 {
		t.Errorf("the door was open for %.0f min, of which a gap hides all but some", n.Now)
	}
	c.live(&tr, 0.1, 1)
	v := fill(&tr, c.at)
	for i := range v.Has {
		id := feature.ID(i)
		if math.IsNaN(float64(v.Value[i])) || math.IsInf(float64(v.Value[i]), 0) {
			t.Errorf("%v is %v after a gap", id, v.Value[i])
		}
		if i < 2*feature.NumProfiles && v.Has[i] && before.Has[i] && math.Abs(float64(v.Value[i]-before.Value[i])) > 0.8 {
			t.Errorf("%v was %.2f and is %.2f after a gap", id, before.Value[i], v.Value[i])
		}
	}
	for _, id := range []feature.ID{feature.OffWarm, feature.RunCold, feature.RunWarm, feature.CallNoRun, feature.DoorMinutes, feature.NoSupply} {
		if v.Has[id] && v.Value[id] > 1 {
			t.Errorf("%v grew to %.2f in a gap", id, v.Value[id])
		}
	}
	if i, o, _ := tr.Band(); math.Abs(i-in) > 0.2 || math.Abs(o-out) > 0.2 {
		t.Errorf("band moved from %.2f … %.2f to %.2f … %.2f", in, out, i, o)
	}
}

// An outdated profile says nothing rather than what was.
func TestStaleFeaturesFallSilent(t *testing.T) {
	c := newCabinet(19)
	tr := c.tracker()
	c.live(&tr, 6, 1)
	if v := fill(&tr, c.at); !v.Has[feature.AirCoil] || !v.Has[feature.Slow(feature.AirCoil)] {
		t.Fatal("the coil says nothing after six days")
	}
	v := fill(&tr, c.at+12*60*minute)
	for i := range 2 * feature.NumProfiles {
		if v.Has[i] {
			t.Errorf("%v still speaks after 12 h of silence", feature.ID(i))
		}
	}
}

// carriedBy holds, for each channel, the features that need it: without any of
// a feature's channels the feature must be absent.
var carriedBy = map[feature.ID]collector.ChannelSet{
	feature.AirCoil: 1 << collector.CoilOut, feature.AirCoilIn: 1 << collector.CoilIn, feature.CoilSpread: 1<<collector.CoilIn | 1<<collector.CoilOut,
	feature.CondLift: 1<<collector.Condenser | 1<<collector.Ambient, feature.SupplyGap: 1 << collector.SupplyAir, feature.ShellLift: 1 << collector.CompressorShell,
	feature.EvapFanRun: 1 << collector.EvapFanCurrent, feature.CondFanRun: 1 << collector.CondFanCurrent, feature.EvapSpeedRun: 1 << collector.EvapFanSpeed,
	feature.CondSpeedRun: 1 << collector.CondFanSpeed, feature.OffCoilGap: 1 << collector.CoilOut, feature.EvapFanOff: 1 << collector.EvapFanCurrent,
	feature.MainsOff: 1 << collector.MainsCurrent, feature.OffSupplyGap: 1 << collector.SupplyAir, feature.AbsAirCoil: 1 << collector.CoilOut,
	feature.AbsCoilSpread: 1<<collector.CoilIn | 1<<collector.CoilOut, feature.AbsCondLift: 1<<collector.Condenser | 1<<collector.Ambient,
	feature.AbsSupplyGap: 1 << collector.SupplyAir, feature.AbsOffCoilGap: 1 << collector.CoilOut, feature.AbsCoil: 1 << collector.CoilOut,
	feature.AbsLoad: 1 << collector.Ambient, feature.Ambient: 1 << collector.Ambient, feature.CallNoRun: 1 << collector.CompressorCall,
	feature.NoCallWarm: 1 << collector.CompressorCall, feature.CallCold: 1 << collector.CompressorCall, feature.DoorMinutes: 1 << collector.Door,
	feature.DoorShare: 1 << collector.Door, feature.VoltageLow: 1 << collector.MainsVoltage,
	feature.Current: 1 << collector.CompressorCurrent, feature.RunSlope: 1 << collector.CabinetAir, feature.OffSlope: 1 << collector.CabinetAir,
	feature.AirHigh: 1 << collector.CabinetAir, feature.AirLow: 1 << collector.CabinetAir, feature.AirMean: 1 << collector.CabinetAir,
	feature.AirTrend: 1 << collector.CabinetAir, feature.AbsAir: 1 << collector.CabinetAir, feature.AbsAirSlow: 1 << collector.CabinetAir,
}

// A machine says only what its channels carry.
func TestVectorHoldsOnlyWhatChannelsCarry(t *testing.T) {
	for _, has := range []collector.ChannelSet{
		1<<collector.CabinetAir | 1<<collector.CompressorCurrent,
		1<<collector.CabinetAir | 1<<collector.Ambient,
		1<<collector.CabinetAir | 1<<collector.CoilOut,
		1 << collector.CompressorCurrent,
		allTemperatures.With(collector.CompressorCurrent),
	} {
		c := newCabinet(23)
		c.has = has
		tr := c.tracker()
		c.live(&tr, 4, 1)
		v := fill(&tr, c.at)
		for id, needs := range carriedBy {
			for _, i := range []feature.ID{id, feature.Slow(id)} {
				if int(id) >= feature.NumProfiles && i != id {
					continue
				}
				if v.Has[i] && has&needs != needs {
					t.Errorf("with channels %b: %v is %v", has, i, v.Value[i])
				}
			}
		}
		if has.Has(collector.CabinetAir) && !v.Has[feature.AbsAir] {
			t.Errorf("with channels %b: nothing of the air", has)
		}
		if has.Has(collector.CompressorCurrent) && (!v.Has[feature.Current] || !v.Has[feature.RunLength]) {
			t.Errorf("with channels %b: nothing of the compressor", has)
		}
	}
}

// An energy saver lets the cabinet stand warm at night: after a few nights
// those hours are known, and the others are not called warm.
func TestHabitLearnsAnEnergySaver(t *testing.T) {
	c := newCabinet(29)
	tr := c.tracker()
	c.live(&tr, 3, 1)
	night := func(m int) bool { h := m / 60 % 24; return h >= 1 && h < 5 }
	at3 := make([]float32, 0, 6)
	for m := range 6 * 1440 {
		c.warm = 0
		if night(m) {
			c.warm = 8
		}
		tr.Observe(c.next(), 1)
		if m%1440 == 3*60 {
			at3 = append(at3, fill(&tr, c.at).Value[feature.Habit])
		}
	}
	if at3[0] > 0.35 || at3[3] < 0.65 {
		t.Errorf("at 3 h, night by night: %.2f; want little in the first, when it has stood warm for two hours, and a habit by the fourth", at3)
	}
	if v := fill(&tr, midnight+13*60*minute); v.Value[feature.Habit] > 0.1 {
		t.Errorf("habit %.2f at 13 h, when it never stood warm", v.Value[feature.Habit])
	}
}

// Nobody may have to guess what a number is.
func TestNamesAndWords(t *testing.T) {
	seen := map[string]bool{}
	for i := range feature.NumFeatures {
		id := feature.ID(i)
		if id.String() == "" || seen[id.String()] {
			t.Errorf("feature %d is named %q", i, id)
		}
		seen[id.String()] = true
	}
	// A machine with every channel, in trouble of every sort, has a note of
	// every topic; each puts a number and its unit in words.
	c := newCabinet(31)
	c.has = 1<<collector.NumChannels - 1
	tr := c.tracker()
	all := func(r *collector.Reading, m int) *collector.Reading {
		on := r.Value[collector.CompressorCurrent] > 0
		v := &r.Value
		v[collector.MainsVoltage], v[collector.MainsCurrent] = 230, v[collector.CompressorCurrent]+0.4
		v[collector.EvapFanCurrent], v[collector.EvapFanSpeed], v[collector.CondFanCurrent], v[collector.CondFanSpeed] = 0.1, 1450, 0, 0
		v[collector.Humidity], v[collector.Energy], v[collector.Door], v[collector.CompressorCall] = 50, float64(m), 0, 0
		if on {
			v[collector.CondFanCurrent], v[collector.CondFanSpeed], v[collector.CompressorCall] = 0.2, 1500, 1
		}
		return r
	}
	for m := range 4 * 1440 {
		tr.Observe(all(c.next(), m), 1)
	}
	said := map[feature.ID]string{}
	note := func() {
		v := fill(&tr, c.at)
		for i := range v.Has {
			if n, ok := tr.Note(feature.ID(i), v); ok && v.Has[i] {
				said[n.ID] = n.Text()
			}
		}
	}
	for m := range 600 { // trouble of several sorts, one after the other
		r := all(c.next(), m)
		v := &r.Value
		switch {
		case m < 150: // stopped and warm, called for and not
			v[collector.CabinetAir], v[collector.CompressorCurrent], v[collector.CompressorCall] = 12+float64(m)/100, 0, float64(m/80)
		case m < 225: // runs and stays warm, both fans stand
			v[collector.CabinetAir], v[collector.CompressorCurrent] = 12+float64(m)/100, 2+float64(m%3)/100
			v[collector.EvapFanCurrent], v[collector.EvapFanSpeed], v[collector.CondFanCurrent], v[collector.CondFanSpeed] = 0, 0, 0, 0
		case m < 300: // runs and stays warm, the door open
			v[collector.CabinetAir], v[collector.CompressorCurrent], v[collector.Door] = 12+float64(m)/100, 2+float64(m%3)/100, 1
		case m < 450: // runs and is cold
			v[collector.CabinetAir], v[collector.CompressorCurrent], v[collector.CompressorCall] = -3-float64(m)/100, 2+float64(m%3)/100, 1
		case m < 500: // tries to start
			v[collector.CompressorCurrent] = 0
			if m%4 == 0 {
				v[collector.CompressorCurrent] = 11
			}
		default: // no supply, and a probe that stands still
			v[collector.MainsVoltage], v[collector.MainsCurrent], v[collector.CompressorCurrent] = 0, 0, 0
			v[collector.CoilOut] = 85 * float64(m%2)
		}
		tr.Observe(r, 0)
		note()
	}
	for i := range feature.NumFeatures {
		id := feature.ID(i)
		switch id.Topic() {
		case feature.Ambient, feature.Learnt, feature.Habit, feature.OffSlope, feature.RunSlope:
			continue // no trouble by itself, or not seen in this stream
		}
		text, ok := said[id.Topic()]
		if !ok {
			t.Errorf("%v (%v) was never put in words", id, id.Topic())
			continue
		}
		if !strings.ContainsAny(text, "0123456789") || strings.Contains(text, "NaN") || strings.Contains(text, "%!") {
			t.Errorf("%v: %q", id, text)
		}
		units := []string{" K", "°C", " A", " min", " h", " V", "rpm", "%", "starts"}
		has := false
		for _, u := range units {
			has = has || strings.Contains(text, u)
		}
		if !has {
			t.Errorf("%v: no unit in %q", id, text)
		}
	}
	if testing.Verbose() {
		for id, text := range said {
			t.Logf("%-14v beside %-18v %s", id, id.Channel(), text)
		}
	}
}

func TestObserveAllocatesNothing(t *testing.T) {
	c := newCabinet(37)
	tr := c.tracker()
	c.live(&tr, 1, 1)
	var v feature.Vector
	r := c.next()
	if n := testing.AllocsPerRun(500, func() {
		r.At += minute
		tr.Observe(r, 1)
		tr.Fill(&v, r.At)
	}); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

func BenchmarkObserve(b *testing.B) {
	c := newCabinet(41)
	tr := c.tracker()
	day := make([]*collector.Reading, 1440)
	for i := range day {
		day[i] = c.next()
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		r := day[i%len(day)]
		if i++; i%len(day) == 0 {
			for _, r := range day {
				r.At += 1440 * minute
			}
		}
		tr.Observe(r, 1)
	}
}

func BenchmarkFill(b *testing.B) {
	c := newCabinet(43)
	tr := c.tracker()
	c.live(&tr, 2, 1)
	var v feature.Vector
	b.ReportAllocs()
	for b.Loop() {
		tr.Fill(&v, c.at)
	}
}
