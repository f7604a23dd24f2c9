package board

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// stopMachine is a machine at a stop, its check and how it ended.
type stopMachine struct {
	Key, Alert, Title, What, Value, Back string
	Causes                               []causeLine
	Evidence                             []string
	Given                                []givenLine
	Then                                 []string
	Next                                 *checkView
	Settled                              string
	Others                               []checkView
	Product                              productView
	Form                                 outcomeForm
	Open                                 bool
	Closed                               *closedView
	Before                               []string

	waits bool
	job   route.Job
}

type causeLine struct{ Cause, Chance string }

type givenLine struct{ Title, Answer, Check, Alert, Post string }

type checkView struct {
	*visit.Check
	About               string // minutes it takes
	First               bool
	Alert, Post         string
	TimerPost           string
	Timer               string // its length; "" none
	Ends, Started, Left string // of a running timer; "" not running
	Speed, Reads        string
}

type productView struct {
	Key, Alert, Post, Unit, Degree, Measured string
	Seen, Decision, Why, Beside, Until, Rule string
}

type choice struct {
	Value, Text string
	Chosen      bool
}

type outcomeForm struct {
	Key, Alert, Post, Machine string
	Kinds, Faults, Products   []choice
	Parts                     []choice
}

type closedView struct{ Kind, Fault, What, Parts, Product, Held, Sheet string }

// stopMachines are the machines of a stop, in the order of its alerts.
func (b *Board) stopMachines(ctx context.Context, c *caller, here bool) ([]stopMachine, error) {
	var out []stopMachine
	for _, id := range c.alerts() {
		a, err := b.ledger.Alert(ctx, id)
		if errors.Is(err, ledger.ErrNone) {
			continue
		}
		if err != nil {
			return nil, err
		}
		m, err := b.stopMachine(ctx, c, &a, here)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, nil
}

// job is what the alert asks to be done at the stop.
func (b *Board) job(a *alerts.Alert, site string) (route.Job, *fleet.Machine) {
	j := route.Job{Machine: machineOf(a, site), Fault: a.Fault, Probability: a.Probability, Alert: a.ID}
	m, ok := b.fleet().Machine(j.Machine)
	if !ok {
		m = &fleet.Machine{ID: j.Machine, Site: site, Limits: fleet.SealedBeverage.Limits(), Unlisted: true}
	}
	j.Kind, j.Refrigerant, j.TCS = m.Kind, m.Refrigerant, alerts.HasFoodClock(m.Product)
	if a.Machine == "" {
		for _, x := range a.Members {
			if x.Site == site {
				j.More++
			}
		}
		j.More = max(0, j.More-1)
	}
	return j, m
}

func (b *Board) stopMachine(ctx context.Context, c *caller, a *alerts.Alert, here bool) (stopMachine, error) {
	v, err := b.visitOf(ctx, c, a)
	if err != nil {
		return stopMachine{}, err
	}
	job, m := b.job(a, c.stop)
	key := elementID(a.ID)
	out := stopMachine{Key: key, Alert: a.ID, Title: c.voice.Title(&job), waits: waits(a.State), job: job, Open: here}
	out.What = c.what(m)
	if m.LoadValue > 0 {
		out.Value = c.say("on-board", "Value", money(b.money(), m.LoadValue))
	}
	belief := v.Belief()
	ranked := belief.Ranked()
	for i, x := range ranked {
		if i < 2 || x.Probability >= 0.05 && i < 5 {
			out.Causes = append(out.Causes, causeLine{c.voice.Fault(x.Fault), c.probability(x.Probability)})
		}
	}
	out.Evidence = c.voice.Evidence(a.Evidence, c.now)
	if out.Back, out.Before, err = b.before(ctx, c, a, &v); err != nil {
		return out, err
	}
	if v.Outcome != nil {
		out.Closed, err = b.closed(ctx, c, &v)
		return out, err
	}
	post := c.path() + "/"
	for _, g := range v.Given {
		if check := visit.Find(g.Check); check != nil && check.Answer(g.Answer) >= 0 {
			out.Given = append(out.Given, givenLine{c.voice.Sentence(check.Title), c.voice.Sentence(check.Answers[check.Answer(g.Answer)].Text), g.Check, a.ID, post + "answer"})
		}
	}
	for _, then := range v.Then() {
		out.Then = append(out.Then, c.voice.Sentence(then))
	}
	view := func(check *visit.Check, first bool) checkView {
		x := checkView{Check: c.check(check), About: strconv.Itoa(check.Minutes), First: first, Alert: a.ID, Post: post + "answer", TimerPost: post + "timer", Speed: number(b.clock.Speed(), 0)}
		if check.Timer > 0 {
			x.Timer = span(check.Timer)
			if started, ok := v.Timers[check.ID]; ok {
				ends := started.Add(check.Timer)
				x.Started, x.Ends = c.moment(started, c.tech.Location()), c.moment(ends, c.tech.Location())
				x.Left = number(math.Max(0, ends.Sub(c.now).Seconds()), 0)
			}
		}
		if check.ID == "sensor" {
			if model, ok := b.models.View(job.Machine); ok && model.Has.Has(collector.CabinetAir) {
				x.Reads = c.reader.temperature(quantity.Celsius(model.Value[collector.CabinetAir]))
			}
		}
		return x
	}
	next, ok := v.Next(m.Kind)
	if ok {
		x := view(next.Check, true)
		out.Next = &x
	} else if len(v.Given) > 0 {
		out.Settled = either(ranked[0].Probability >= 0.9, c.say("settles", "Fault", c.voice.Fault(ranked[0].Fault)), c.say("no-further"))
	} else {
		out.Settled = c.say("no-check")
	}
	for _, o := range v.Options(m.Kind) {
		if o.Given == "" && (!ok || o.Check.ID != next.Check.ID) {
			out.Others = append(out.Others, view(o.Check, false))
		}
	}
	advice, shown := b.product(ctx, c, a, m, &v)
	shown.Key, shown.Alert, shown.Post = key, a.ID, post+"measure"
	out.Product = shown
	out.Form = outcomeForm{Key: key, Alert: a.ID, Post: post + "outcome", Machine: out.Title}
	for _, part := range partsOf(c.day, &job, inQuestion(ranked, 0.03)) {
		out.Form.Parts = append(out.Form.Parts, choice{part, c.voice.Sentence(part), false})
	}
	for _, k := range visit.Kinds {
		out.Form.Kinds = append(out.Form.Kinds, choice{string(k), c.say("end." + string(k)), false})
	}
	for _, x := range ranked {
		if x.Fault != fault.Well {
			out.Form.Faults = append(out.Form.Faults, choice{x.Fault.String(), c.voice.Fault(x.Fault), len(v.Given) > 0 && x.Probability >= 0.5})
		}
	}
	for _, d := range visit.Decisions {
		out.Form.Products = append(out.Form.Products, choice{string(d), c.decision(d), v.Measured != nil && d == advice})
	}
	return out, nil
}

// productWindow is how far back the product is followed.
const productWindow = 48 * time.Hour

// product says what the rule says of the product now.
func (b *Board) product(ctx context.Context, c *caller, a *alerts.Alert, m *fleet.Machine, v *visit.Visit) (visit.Decision, productView) {
	p := visit.Product{Kind: m.Product, Limits: m.Limits, Now: c.now}
	p.Beside = a.LimitSide == detect.Cold && a.LimitEarly != 0 && !c.now.Before(a.LimitEarly.Time())
	out := productView{Unit: either(c.reader.Fahrenheit, "F", "C"), Degree: c.reader.degree()}
	if v.Measured != nil {
		t := quantity.Celsius(*v.Measured)
		p.Measured = &t
		out.Measured = number(c.reader.scale(t), 1)
	}
	model, heard := b.models.View(m.ID)
	if heard && model.HasProduct {
		p.Believed = &model.ProductTemperature
		out.Seen = c.seen(a, m, model)
	}
	if alerts.HasFoodClock(m.Product) {
		clock := alerts.FoodClock{Limit: m.Limits.Warm}
		trace, err := b.models.Trace(ctx, m.ID, c.now.Add(-productWindow), c.now)
		if err != nil {
			b.log.Error().Err(err).Str("machine", m.ID).Msg("how warm the product was cannot be read; the rule is applied without it")
		}
		for _, t := range trace {
			for _, h := range model.Happenings {
				if h.Kind == detect.Restock && h.From <= t.At {
					clock.FillAt = max(clock.FillAt, h.From)
				}
			}
			if !math.IsNaN(float64(t.Product)) {
				clock.Observe(t.At, t.Product)
				p.Past = true
			}
		}
		if clock.OverAt != 0 {
			p.OverAt, p.Above21 = clock.OverAt.Time(), clock.Above21
		}
	}
	advice := visit.Advise(p)
	out.Decision, out.Why, out.Rule = c.decision(advice.Decision), c.voice.Sentence(advice.Why), c.voice.Sentence(advice.Rule)
	if advice.Beside != "" {
		out.Beside = c.voice.Sentence(advice.Beside)
	}
	if at, ok := p.Until(); ok && advice.Decision == visit.Hold {
		out.Until = c.moment(at, c.tech.Location())
	}
	return advice.Decision, out
}

// seen says how warm the product is by the sensors, beside its limit; "" where a
// sensor lies.
func (c *caller) seen(a *alerts.Alert, m *fleet.Machine, v detect.View) string {
	if a.Fault == fault.SensorFault {
		return ""
	}
	limit := m.Limits.Warm
	if v.ProductTemperature < m.Limits.Cold {
		limit = m.Limits.Cold
	}
	how := either(liveOf(v, c.now).Known, "product-now", "product-heard")
	return c.say(how, "Temperature", c.reader.temperature(v.ProductTemperature), "Limit", c.reader.temperature(limit), "At", c.moment(v.LastHeard.Time(), c.tech.Location()))
}

// before are the earlier visits to the machine, and whether the last repair came
// back with this alert.
func (b *Board) before(ctx context.Context, c *caller, a *alerts.Alert, now *visit.Visit) (back string, lines []string, err error) {
	kept, err := b.visits.Visits(ctx, ledger.VisitQuery{Machine: now.Machine, Limit: 6})
	if err != nil {
		return "", nil, err
	}
	for _, k := range kept {
		var v visit.Visit
		if err := json.Unmarshal(k.Body, &v); err != nil {
			return "", nil, err
		}
		if v.ID == now.ID || v.Outcome == nil {
			continue
		}
		says, alert, err := b.held(ctx, c, &v, c.tech.Location())
		if err != nil {
			return "", nil, err
		}
		line := c.moment(k.At, c.tech.Location()) + ", " + v.By + ": " + c.visitWords(&v)
		if alert == a.ID && back == "" {
			back = line + "."
		}
		lines = append(lines, strings.TrimSpace(line+". "+says))
	}
	return back, lines, nil
}

func (b *Board) closed(ctx context.Context, c *caller, v *visit.Visit) (*closedView, error) {
	o := v.Outcome
	out := &closedView{Kind: c.say("end." + string(o.Kind)), What: o.What, Product: c.decision(o.Product)}
	if o.Fault != fault.Well {
		out.Fault = c.voice.Fault(o.Fault)
	}
	var used []string
	for name, n := range o.Parts {
		used = append(used, either(n > 1, strconv.Itoa(n)+" × ", "")+c.voice.Sentence(name))
	}
	slices.Sort(used)
	out.Parts = strings.Join(used, ", ")
	if o.Kind == visit.HandedOver {
		out.Sheet = c.path() + "/sheet?alert=" + v.Alert
	}
	var err error
	out.Held, _, err = b.held(ctx, c, v, c.tech.Location())
	return out, err
}

// inQuestion are the causes that are at least so probable: one to four of them.
func inQuestion(ranked []detect.Candidate, least float64) []detect.Candidate {
	n := 1
	for n < min(4, len(ranked)) && ranked[n].Probability >= least {
		n++
	}
	return ranked[:n]
}
