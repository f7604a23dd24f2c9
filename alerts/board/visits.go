package board

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// Visits keeps what techs find at the machines; *ledger.Ledger is one.
type Visits interface {
	PutVisit(ctx context.Context, v ledger.Visit, who, what string) error
	Visit(ctx context.Context, id string) (ledger.Visit, error)
	Visits(ctx context.Context, q ledger.VisitQuery) ([]ledger.Visit, error)
	Alerts(ctx context.Context, q ledger.Query) ([]alerts.Alert, error)
}

// visitOf reads the tech's visit about an alert, or begins one that is not kept
// until something is done.
func (b *Board) visitOf(ctx context.Context, c *caller, a *alerts.Alert) (visit.Visit, error) {
	machine := machineOf(a, c.stop)
	v := visit.Visit{ID: visit.Name(c.tech.ID, machine, a.ID), Machine: machine, Site: c.stop, Alert: a.ID, Tech: c.tech.ID, By: c.tech.Name,
		Began: c.at, Said: a.Fault, Prior: slices.Clone(a.Candidates)}
	if len(v.Prior) == 0 {
		v.Prior = []detect.Candidate{{Fault: a.Fault, Probability: max(0.5, a.Probability)}}
	}
	kept, err := b.visits.Visit(ctx, v.ID)
	if errors.Is(err, ledger.ErrNone) {
		return v, nil
	}
	if err != nil {
		return v, err
	}
	if err := json.Unmarshal(kept.Body, &v); err != nil {
		return v, fmt.Errorf("the visit to %s cannot be read: %w", machine, err)
	}
	// Trouble that came back in a later shift is a visit of its own.
	if o := v.Outcome; o != nil && a.Active && c.told.Stop == c.stop && c.told.Arrived && o.At.Before(c.told.Since) {
		fresh := visit.Visit{ID: v.ID + "/" + strconv.FormatInt(c.told.Since.Unix(), 36), Machine: machine, Site: c.stop, Alert: a.ID, Tech: c.tech.ID, By: c.tech.Name,
			Began: c.at, Said: a.Fault, Prior: slices.Clone(a.Candidates)}
		kept, err := b.visits.Visit(ctx, fresh.ID)
		if errors.Is(err, ledger.ErrNone) {
			return fresh, nil
		}
		if err != nil {
			return fresh, err
		}
		return fresh, json.Unmarshal(kept.Body, &fresh)
	}
	return v, nil
}

// machineOf is the machine that a visit about the alert is to: its own, or the
// first at the site that shares the cause.
func machineOf(a *alerts.Alert, site string) string {
	if a.Machine != "" {
		return a.Machine
	}
	for _, m := range a.Members {
		if m.Site == site {
			return m.Machine
		}
	}
	return site
}

// visitAct takes an answer, a timer, a temperature or the outcome.
func (b *Board) visitAct(ctx context.Context, c *caller, act string, form url.Values) error {
	id := form.Get("alert")
	if !slices.Contains(c.alerts(), id) {
		return errors.New("this is not part of your stop any more; open it again from your route")
	}
	b.visiting.Lock()
	defer b.visiting.Unlock()
	a, err := b.ledger.Alert(ctx, id)
	if err != nil {
		return err
	}
	v, err := b.visitOf(ctx, c, &a)
	if err != nil {
		return err
	}
	what := ""
	switch check := form.Get("check"); {
	case act == "timer":
		v, err = v.Start(check, c.at)
	case act == "answer" && form.Get("answer") == "":
		v, err = v.Unanswer(check)
	case act == "answer":
		v, err = v.Answer(check, form.Get("answer"), c.at)
	case act == "measure":
		v.Measured, err = measured(form)
	default:
		var o visit.Outcome
		if o, err = outcomeOf(form); err == nil {
			o.At, o.By, o.Measured = c.at, c.tech.Name, v.Measured
			v, err = v.Finish(o)
		}
		what = "closed a visit: " + string(o.Kind)
	}
	if err != nil {
		return err
	}
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	kept := ledger.Visit{ID: v.ID, Machine: v.Machine, Site: v.Site, Alert: v.Alert, At: c.now, Closed: v.Outcome != nil, Body: body}
	if f, ok := v.Label(); ok {
		kept.Label = f.String()
	}
	if err := b.visits.PutVisit(ctx, kept, c.tech.Name, what); err != nil {
		return err
	}
	if v.Outcome != nil && b.visited != nil {
		if err := b.visited(ctx, &v); err != nil {
			b.log.Error().Err(err).Str("machine", v.Machine).Msg("a visit is kept, but what follows from it could not be done")
		}
	}
	return nil
}

// measured reads a temperature in the unit of the form, as °C.
func measured(form url.Values) (*float64, error) {
	t, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(form.Get("temp")), ",", ".", 1), 64)
	if err != nil || math.IsNaN(t) || math.IsInf(t, 0) {
		return nil, errors.New("write the temperature as a number, such as 4.5")
	}
	if form.Get("unit") == "F" {
		t = float64(quantity.CelsiusOfFahrenheit(t))
	}
	if t < -30 || t > 60 {
		return nil, errors.New("a product that cold or warm cannot be; look at the unit and measure again")
	}
	return &t, nil
}

// outcomeOf reads how a visit ended.
func outcomeOf(form url.Values) (visit.Outcome, error) {
	o := visit.Outcome{Kind: visit.Kind(form.Get("kind")), What: form.Get("what"), Product: visit.Decision(form.Get("product"))}
	if name := form.Get("fault"); name != "" {
		if err := o.Fault.UnmarshalText([]byte(name)); err != nil {
			return o, err
		}
	}
	for field, values := range form {
		part, ok := strings.CutPrefix(field, "part:")
		if !ok || len(values) == 0 || strings.TrimSpace(values[0]) == "" || values[0] == "0" {
			continue
		}
		n, err := strconv.Atoi(strings.TrimSpace(values[0]))
		if err != nil || len(part) > 100 || len(o.Parts) >= 50 {
			return o, fmt.Errorf("how many of %s? Write a number", part)
		}
		if o.Parts == nil {
			o.Parts = map[string]int{}
		}
		o.Parts[part] = n
	}
	return o, nil
}

// held says whether the repair of a visit held; "" where nothing was repaired.
func (b *Board) held(ctx context.Context, c *caller, v *visit.Visit, zone *time.Location) (says, alert string, err error) {
	if v.Outcome == nil || v.Outcome.Kind != visit.Repaired {
		return "", "", nil
	}
	now := b.clock.Now()
	about, err := b.visits.Alerts(ctx, ledger.Query{Machine: v.Machine, Limit: 50})
	if err != nil {
		return "", "", err
	}
	moves := map[string][]alerts.Step{}
	if moves[v.Alert], err = b.ledger.Moves(ctx, v.Alert); err != nil {
		return "", "", err
	}
	switch h := visit.Judge(v, about, moves, now); h.Standing {
	case visit.Waiting:
		return c.say("held-waiting", "Ago", c.span(now.Sub(v.Outcome.At))), "", nil
	case visit.Holding:
		return c.say("held-holding", "At", c.moment(h.At, zone)), "", nil
	case visit.Proven:
		return c.say("held-proven"), "", nil
	case visit.Reopened:
		return c.say("held-back", "At", c.moment(h.At, zone)), h.Alert, nil
	}
	return "", "", nil
}

// visitLine is a visit on an alert's page.
type visitLine struct{ When, Who, Text, Held, Link, Sheet string }

// visitsData are the visits to an alert's machine: of the alert, and those of the
// week before it, whose repair it may undo.
func (b *Board) visitsData(ctx context.Context, r Reader, id string) (any, error) {
	var out []visitLine
	if b.visits == nil {
		return out, nil
	}
	a, err := b.ledger.Alert(ctx, id)
	if err != nil {
		return nil, err
	}
	zone := time.UTC
	if s, ok := b.fleet().Site(a.Site); ok && s.Location != nil {
		zone = s.Location
	}
	q := ledger.VisitQuery{Alert: a.ID}
	if a.Machine != "" {
		q = ledger.VisitQuery{Machine: a.Machine, From: a.OpenedAt.Time().Add(-visit.ProvenAfter)}
	}
	kept, err := b.visits.Visits(ctx, q)
	if err != nil {
		return nil, err
	}
	now := b.clock.Now()
	c := b.english(r, now)
	for _, k := range kept {
		var v visit.Visit
		if err := json.Unmarshal(k.Body, &v); err != nil {
			return nil, err
		}
		line := visitLine{When: r.moment(k.At, now, zone), Who: v.By, Text: c.visitWords(&v)}
		if v.Outcome != nil && v.Outcome.Kind == visit.HandedOver {
			line.Sheet = alertURL(v.Alert) + "/sheet?visit=" + url.QueryEscape(v.ID)
		}
		var came string
		if line.Held, came, err = b.held(ctx, c, &v, zone); err != nil {
			return nil, err
		}
		if other := came; other != "" && other != a.ID {
			line.Link = alertURL(other)
		} else if v.Alert != a.ID {
			line.Link = alertURL(v.Alert)
		}
		out = append(out, line)
	}
	return out, nil
}

// visitWords says what came of a visit, in one line.
func (c *caller) visitWords(v *visit.Visit) string {
	o := v.Outcome
	if o == nil {
		return c.say(either(len(v.Given) == 1, "checks-one", "checks-many"), "N", strconv.Itoa(len(v.Given)))
	}
	text := strings.ToLower(c.say("end." + string(o.Kind)))
	if o.Fault != fault.Well {
		text += ", " + c.voice.Fault(o.Fault)
	}
	if o.What != "" {
		text += ": " + o.What
	}
	if o.Product != "" {
		text += "; " + c.say("product-was", "Product", c.decision(o.Product))
	}
	return text
}

// partsOf are the parts that a tech may have used for the causes in question.
func partsOf(day *route.Day, machine *route.Job, causes []detect.Candidate) []string {
	parts := day.Parts
	if parts == nil {
		parts = route.DefaultParts()
	}
	var out []string
	for _, c := range causes {
		for _, it := range parts.Load([]route.Job{{Kind: machine.Kind, Fault: c.Fault}}, nil).Parts {
			if !slices.Contains(out, it.Name) {
				out = append(out, it.Name)
			}
		}
	}
	return out
}
