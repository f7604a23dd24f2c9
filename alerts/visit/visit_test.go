package visit

import (
	"cmp"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

var noon = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

// Bayes' rule against a worked example: of women screened 1 % have the disease,
// 79.2 % of those test positive, 9.6 % of the others; after a positive test 7.7 %
// (Eddy 1982, from memory).
func TestBayesWorkedExample(t *testing.T) {
	var b Belief
	b[fault.CoilIced], b[fault.Well] = 0.01, 0.99
	var positive Answer
	positive.Likelihood[fault.CoilIced], positive.Likelihood[fault.Well] = 0.792, 0.096
	if got := b.After(&positive)[fault.CoilIced]; math.Abs(got-0.077) > 0.0005 {
		t.Errorf("%.4f, the example says 0.077", got)
	}
}

// A binary symmetric channel with crossover 0.1 and even input tells 1 − H(0.1) =
// 0.531 bits (Cover & Thomas, section 7.1.4, from memory); a perfect test of a fair
// coin 1 bit; one that says the same of both nothing.
func TestGainOfAChannel(t *testing.T) {
	var b Belief
	b[fault.CoilIced], b[fault.Well] = 0.5, 0.5
	for wrong, want := range map[float64]float64{0.1: 0.531, 0: 1, 0.5: 0} {
		c := Check{Answers: make([]Answer, 2)}
		for i := range c.Answers {
			c.Answers[i].Likelihood[fault.CoilIced], c.Answers[i].Likelihood[fault.Well] = 1-wrong, wrong
			wrong = 1 - wrong
		}
		if got := b.Gain(&c); math.Abs(got-want) > 0.0005 {
			t.Errorf("%.4f bits, want %.3f", got, want)
		}
	}
}

func anyCandidates(t *rapid.T) []detect.Candidate {
	var out []detect.Candidate
	left := 1.0
	for _, f := range rapid.SliceOfNDistinct(rapid.IntRange(1, fault.Num-1), 0, 5, rapid.ID).Draw(t, "faults") {
		p := left * rapid.Float64Range(0, 1).Draw(t, "p")
		left -= p
		out = append(out, detect.Candidate{Fault: fault.Fault(f), Probability: p})
	}
	return out
}

// Whatever the models said and in whichever order the answers came: it is a
// probability, it is the same, no check is expected to take knowledge away, and
// the choice is the best of the checks for its time.
func TestBeliefLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := Visit{Machine: "cab-1", Prior: anyCandidates(t), Began: noon}
		w := v
		checks := rapid.Permutation(Checks()).Draw(t, "order")[:rapid.IntRange(0, len(Checks())).Draw(t, "many")]
		for _, c := range checks {
			v, _ = v.Answer(c.ID, c.Answers[rapid.IntRange(0, len(c.Answers)-1).Draw(t, "answer")].ID, noon)
		}
		for _, g := range slices.Backward(v.Given) {
			w, _ = w.Answer(g.Check, g.Answer, noon)
		}
		a, b, sum := v.Belief(), w.Belief(), 0.0
		for i := range a {
			sum += a[i]
			if !(a[i] > 0 && a[i] <= 1) || math.Abs(a[i]-b[i]) > 1e-9 {
				t.Fatalf("%v: %g and %g", fault.Fault(i), a[i], b[i])
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("sums to %g", sum)
		}
		next, ok := v.Next(fleet.GlassDoor)
		for _, o := range v.Options(fleet.GlassDoor) {
			if o.Bits < 0 || ok && o.Given == "" && o.Bits/float64(o.Check.Minutes+walk) > next.Bits/float64(next.Check.Minutes+walk)+1e-12 {
				t.Fatalf("%s tells %g bits, %s was chosen with %g", o.Check.ID, o.Bits, next.Check.ID, next.Bits)
			}
		}
	})
}

// A tech who finds at each check what the cause usually shows is led to it, from
// no idea at all, within an hour and a half; what only the sealed system tells
// apart may end as one of the two that a licensed mechanic gets.
func TestEveryCauseIsFound(t *testing.T) {
	sealed := []fault.Fault{fault.RefrigerantLow, fault.CompressorWeak}
	for f := fault.EvaporatorFanStopped; f <= fault.SensorFault; f++ {
		v, minutes := Visit{Machine: "cab-1"}, 0
		for {
			next, ok := v.Next(fleet.GlassDoor)
			if !ok {
				break
			}
			minutes += next.Check.Minutes
			best := slices.MaxFunc(next.Check.Answers, func(a, b Answer) int {
				return cmp.Compare(a.Likelihood[f], b.Likelihood[f])
			})
			var err error
			if v, err = v.Answer(next.Check.ID, best.ID, noon); err != nil {
				t.Fatal(err)
			}
		}
		top := v.Belief().Ranked()[0]
		if top.Fault != f && !(slices.Contains(sealed, f) && slices.Contains(sealed, top.Fault)) || minutes > 90 {
			t.Errorf("%v: found %v (%.2f) after %d min: %v", f, top.Fault, top.Probability, minutes, v.Given)
		}
	}
}

// What the trade says of each sign.
func TestSignsOfTheTrade(t *testing.T) {
	for _, c := range []struct {
		why           string
		check, answer string
		prior         []detect.Candidate
		want          []fault.Fault // together at least 0.8
	}{
		{"a part of the coil frosted: charge, restriction or compressor", "sealed-system", "part", []detect.Candidate{{Fault: fault.CoilIced, Probability: 0.4}, {Fault: fault.RefrigerantLow, Probability: 0.3}, {Fault: fault.CompressorWeak, Probability: 0.3}}, []fault.Fault{fault.RefrigerantLow, fault.CompressorWeak}},
		{"the compressor runs on with the thermostat off", "thermostat-off", "runs", []detect.Candidate{{Fault: fault.SensorFault, Probability: 0.5}, {Fault: fault.ThermostatStuckOn, Probability: 0.4}}, []fault.Fault{fault.ThermostatStuckOn}},
		{"the compressor starts and its fan does not", "thermostat-on", "no-fan", []detect.Candidate{{Fault: fault.CondenserBlocked, Probability: 0.6}, {Fault: fault.CondenserFanStopped, Probability: 0.4}}, []fault.Fault{fault.CondenserFanStopped}},
		{"air moves, so it is not the fan", "evaporator-air", "moves", []detect.Candidate{{Fault: fault.EvaporatorFanStopped, Probability: 0.5}, {Fault: fault.DoorLeak, Probability: 0.5}}, []fault.Fault{fault.DoorLeak}},
	} {
		v, err := (Visit{Prior: c.prior}).Answer(c.check, c.answer, noon)
		if err != nil {
			t.Fatal(err)
		}
		b, sum := v.Belief(), 0.0
		for _, f := range c.want {
			sum += b[f]
		}
		if sum < 0.8 {
			t.Errorf("%s: %v together %.2f", c.why, c.want, sum)
		}
	}
	v, _ := (Visit{}).Answer("sealed-system", "part", noon)
	if then := strings.Join(v.Then(), " "); !strings.Contains(then, "licensed mechanic") {
		t.Errorf("a part frosted asks for %q", then)
	}
	for _, c := range Checks() {
		if c.ID == "sealed-system" && (c.Timer != 15*time.Minute || !c.Trained) {
			t.Errorf("the sealed-system test: %+v", c)
		}
	}
}

func TestChecksSayWhatIsWrong(t *testing.T) {
	_, err := ParseChecks("checks.yaml", []byte(`
checks:
  - {id: a, title: A, minutes: 1, answers: [{id: x, text: X, rest: 1, like: {fan: 3}}, {id: y, text: Y, rest: 0}]}
  - {id: a, title: A, minutes: 0, not: [boat], answers: []}
`))
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{`"fan" is not in the catalogue`, "nothing is impossible", "id of its own", "minutes above 0", "not: "} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v lacks %q", err, want)
		}
	}
	if _, err := ParseChecks("checks.yaml", []byte("checks:\n  - {id: a, colour: red}\n")); err == nil || !strings.Contains(err.Error(), "[2:") {
		t.Errorf("an unknown key without its line: %v", err)
	}
}

// Answers replace, are taken back, outlast JSON, and end with the visit.
func TestAnswersOfAVisit(t *testing.T) {
	v := Visit{Machine: "cab-1", Prior: []detect.Candidate{{Fault: fault.CoilIced, Probability: 0.7}}}
	first, err := v.Answer("door", "seals", noon)
	if err != nil {
		t.Fatal(err)
	}
	second, _ := first.Answer("door", "leaks", noon)
	if len(v.Given) != 0 || first.Given[0].Answer != "seals" || len(second.Given) != 1 {
		t.Fatalf("%v %v %v", v.Given, first.Given, second.Given)
	}
	second, _ = second.Start("sealed-system", noon)
	again, _ := second.Start("sealed-system", noon.Add(time.Minute))
	if !again.Timers["sealed-system"].Equal(noon) {
		t.Error("pressing twice starts the timer again")
	}
	if _, err := second.Answer("door", "flies", noon); err == nil {
		t.Error("an answer that is none was taken")
	}
	if _, err := second.Start("door", noon); err == nil {
		t.Error("a timer that is none was started")
	}
	text, err := json.Marshal(second)
	if err != nil {
		t.Fatal(err)
	}
	var back Visit
	if err := json.Unmarshal(text, &back); err != nil || !reflect.DeepEqual(back, second) {
		t.Errorf("%v\n%+v\n%+v", err, back, second)
	}
	if none, _ := second.Unanswer("door"); none.Belief() != v.Belief() {
		t.Error("an answer taken back still counts")
	}
	done, err := second.Finish(Outcome{Kind: NothingFound, Product: Sell, At: noon, By: "Ines"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := done.Answer("door", "seals", noon); err == nil {
		t.Error("a closed visit takes answers")
	}
	if f, ok := done.Label(); !ok || f != fault.Well {
		t.Errorf("labelled %v %v", f, ok)
	}
	if _, ok := done.Next(fleet.GlassDoor); ok {
		t.Error("a closed visit asks for a check")
	}
}

func TestOutcomesSayWhatIsMissing(t *testing.T) {
	for want, o := range map[string]Outcome{
		"choose how":          {},
		"what you repaired":   {Kind: Repaired, Product: Sell},
		"for the mechanic":    {Kind: HandedOver, Product: Hold},
		"say why":             {Kind: NotReached},
		"became of the":       {Kind: NothingFound},
		"cannot be":           {Kind: NothingFound, Product: Sell, Measured: new(99.0)},
		"sold, held":          {Kind: NothingFound, Product: "eat"},
		"0 × fan blade":       {Kind: Repaired, Fault: fault.CoilIced, What: "x", Product: Sell, Parts: map[string]int{"fan blade": 0}},
		"at most 1000 charac": {Kind: NotReached, What: strings.Repeat("x", 1001)},
	} {
		if _, err := (Visit{}).Finish(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", o, err, want)
		}
	}
	v, err := (Visit{}).Finish(Outcome{Kind: HandedOver, Fault: fault.RefrigerantLow, Product: Discard})
	if err != nil {
		t.Fatal(err)
	}
	if f, ok := v.Label(); !ok || f != fault.RefrigerantLow {
		t.Errorf("labelled %v %v", f, ok)
	}
	if _, err := v.Finish(Outcome{Kind: NothingFound, Product: Sell}); err == nil {
		t.Error("closed twice")
	}
	v, _ = (Visit{}).Finish(Outcome{Kind: NotReached, What: "closed"})
	if _, ok := v.Label(); ok {
		t.Error("nobody looked, and it is a label")
	}
}

// FDA Food Code: 5 °C (3-501.16), 4 h and 6 h under 21 °C (3-501.19).
func TestAdviceFollowsTheRule(t *testing.T) {
	at := func(c quantity.Celsius) *quantity.Celsius { return &c }
	tcs := func(p Product) Product {
		p.Kind, p.Limits, p.Now = fleet.TCSFood, fleet.TCSFood.Limits(), noon
		return p
	}
	for name, c := range map[string]struct {
		p    Product
		want Decision
	}{
		"5.0 °C, never over":          {tcs(Product{Measured: at(5), Past: true}), Sell},
		"believed only":               {tcs(Product{Believed: at(3), Past: true}), Hold},
		"nothing known":               {tcs(Product{}), Hold},
		"over, unknown since when":    {tcs(Product{Measured: at(5.1)}), Discard},
		"over since now":              {tcs(Product{Measured: at(5.1), Past: true}), Hold},
		"over for 3 h 59 min":         {tcs(Product{Measured: at(8), Past: true, OverAt: noon.Add(-239 * time.Minute)}), Hold},
		"over for 5 h, under 21 °C":   {tcs(Product{Measured: at(8), Past: true, OverAt: noon.Add(-5 * time.Hour)}), Hold},
		"over for 6 h":                {tcs(Product{Measured: at(8), Past: true, OverAt: noon.Add(-6 * time.Hour)}), Discard},
		"over for 4 h, was over 21":   {tcs(Product{Measured: at(8), Past: true, OverAt: noon.Add(-4 * time.Hour), Above21: true}), Discard},
		"cold again, was over 6 h":    {tcs(Product{Measured: at(3), Past: true, OverAt: noon.Add(-7 * time.Hour)}), Discard},
		"cold again, was over 1 h":    {tcs(Product{Measured: at(3), Past: true, OverAt: noon.Add(-time.Hour)}), Hold},
		"frozen":                      {tcs(Product{Measured: at(-3), Past: true}), Hold},
		"drinks at 4 °C":              {Product{Kind: fleet.SealedBeverage, Limits: fleet.SealedBeverage.Limits(), Measured: at(4), Now: noon}, Sell},
		"drinks at 15 °C for 20 h":    {Product{Kind: fleet.SealedBeverage, Limits: fleet.SealedBeverage.Limits(), Measured: at(15), OverAt: noon.Add(-20 * time.Hour), Now: noon}, Hold},
		"drinks at −4 °C":             {Product{Kind: fleet.SealedBeverage, Limits: fleet.SealedBeverage.Limits(), Measured: at(-4), Now: noon}, Hold},
		"dairy goes by the same rule": {Product{Kind: fleet.Dairy, Limits: fleet.Dairy.Limits(), Measured: at(9), Past: true, OverAt: noon.Add(-8 * time.Hour), Now: noon}, Discard},
	} {
		a := Advise(c.p)
		if a.Decision != c.want || a.Why == "" || a.Rule == "" {
			t.Errorf("%s: %s (%s), want %s", name, a.Decision, a.Why, c.want)
		}
		if alerts.HasFoodClock(c.p.Kind) != strings.Contains(a.Rule, "3-501.16") {
			t.Errorf("%s: by the rule %q", name, a.Rule)
		}
	}
	if until, ok := tcs(Product{OverAt: noon.Add(-time.Hour)}).Until(); !ok || !until.Equal(noon.Add(5*time.Hour)) {
		t.Errorf("until %v %v", until, ok)
	}
}

// What stands next to the cold air freezes while the rest is within its limit.
func TestAdviceOnWhatStandsNextToTheColdAir(t *testing.T) {
	at := func(c quantity.Celsius) *quantity.Celsius { return &c }
	for name, c := range map[string]struct {
		kind     fleet.Product
		measured *quantity.Celsius
		beside   bool
		over     time.Duration
		want     bool
	}{
		"food within its limit":          {fleet.TCSFood, at(3), true, 0, true},
		"not by the forecast":            {fleet.TCSFood, at(3), false, 0, false},
		"drinks":                         {fleet.SealedBeverage, at(4), true, 0, true},
		"nothing known of the rest":      {fleet.SealedBeverage, nil, true, 0, true},
		"the rest is frozen itself":      {fleet.SealedBeverage, at(-4), true, 0, false},
		"all of it is discarded anyway":  {fleet.TCSFood, at(8), true, 9 * time.Hour, false},
		"the rest is warm, and may stay": {fleet.TCSFood, at(8), true, time.Hour, true},
	} {
		p := Product{Kind: c.kind, Limits: c.kind.Limits(), Measured: c.measured, Beside: c.beside, Past: true, Now: noon}
		if c.over > 0 {
			p.OverAt = noon.Add(-c.over)
		}
		p2 := p
		p2.Beside = false
		a, without := Advise(p), Advise(p2)
		if (a.Beside != "") != c.want || without.Beside != "" || a.Decision != without.Decision || a.Why != without.Why {
			t.Errorf("%s: %+v; without %+v", name, a, without)
		}
		if c.want && strings.Contains(a.Beside, "discarded") != alerts.HasFoodClock(c.kind) {
			t.Errorf("%s: %s", name, a.Beside)
		}
	}
}

// The models clear a repair or say that it came back.
func TestRepairHolds(t *testing.T) {
	v := Visit{Machine: "cab-1", Alert: "A-1", Said: fault.EvaporatorFanStopped, Outcome: &Outcome{Kind: Repaired, Fault: fault.CoilIced, At: noon}}
	open := alerts.Alert{ID: "A-1", Machine: "cab-1", Active: true, Fault: fault.EvaporatorFanStopped, OpenedAt: collector.MillisOf(noon.Add(-5 * time.Hour))}
	quiet := open
	quiet.Active = false
	later := func(d time.Duration, f fault.Fault) alerts.Alert {
		return alerts.Alert{ID: "A-2", Machine: "cab-1", Active: true, Fault: f, OpenedAt: collector.MillisOf(noon.Add(d))}
	}
	step := func(d time.Duration, verb alerts.Verb) alerts.Step {
		return alerts.Step{Alert: "A-1", At: collector.MillisOf(noon.Add(d)), Verb: verb}
	}
	gone := map[string][]alerts.Step{"A-1": {step(-5*time.Hour, alerts.Raise), step(2*time.Hour, alerts.Return)}}
	day := 24 * time.Hour
	for name, c := range map[string]struct {
		about []alerts.Alert
		moves map[string][]alerts.Step
		now   time.Duration
		want  Held
	}{
		"not cleared yet":          {[]alerts.Alert{open}, nil, time.Hour, Held{Standing: Waiting}},
		"cleared":                  {[]alerts.Alert{quiet}, gone, day, Held{Holding, noon.Add(2 * time.Hour), ""}},
		"cleared for a week":       {[]alerts.Alert{quiet}, gone, 7 * day, Held{Proven, noon.Add(2 * time.Hour), ""}},
		"back on the sixth day":    {[]alerts.Alert{quiet, later(6*day, fault.EvaporatorFanStopped)}, gone, 8 * day, Held{Reopened, noon.Add(6 * day), "A-2"}},
		"back under another name":  {[]alerts.Alert{quiet, later(2*day, fault.Unknown)}, gone, 8 * day, Held{Reopened, noon.Add(2 * day), "A-2"}},
		"other trouble":            {[]alerts.Alert{quiet, later(2*day, fault.PowerLost)}, gone, 3 * day, Held{Holding, noon.Add(2 * time.Hour), ""}},
		"back after eight days":    {[]alerts.Alert{quiet, later(8*day, fault.CoilIced)}, gone, 9 * day, Held{Proven, noon.Add(2 * time.Hour), ""}},
		"the same alert came back": {[]alerts.Alert{open}, map[string][]alerts.Step{"A-1": append(slices.Clone(gone["A-1"]), step(day, alerts.Recur))}, 2 * day, Held{Reopened, noon.Add(day), "A-1"}},
	} {
		if got := Judge(&v, c.about, c.moves, noon.Add(c.now)); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
	v.Outcome = &Outcome{Kind: HandedOver}
	if got := Judge(&v, []alerts.Alert{open}, nil, noon); got != (Held{}) {
		t.Errorf("nothing was repaired: %+v", got)
	}
}
