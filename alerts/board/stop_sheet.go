package board

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/visit"
	"coilward/collector/quantity"
	"coilward/detect/fault"
)

// sheetView is what a licensed mechanic is handed.
type sheetView struct {
	Machine, What, Site, Address, Refrigerant string
	By, At, Found, Note, Product, Back        string
	Causes                                    []causeLine
	Evidence, Checks, Cautions                []string
}

// stopSheet is the printable page for the mechanic a machine is handed over to.
func (b *Board) stopSheet(w http.ResponseWriter, r *http.Request) {
	c, ok := b.calls(w, r)
	if !ok {
		return
	}
	id := r.URL.Query().Get("alert")
	none := func() {
		b.stopWord(w, c, http.StatusNotFound, c.say("no-sheet"), c.say("no-sheet-why"))
	}
	if !slices.Contains(c.alerts(), id) {
		none()
		return
	}
	a, err := b.ledger.Alert(r.Context(), id)
	if err != nil {
		none()
		return
	}
	v, err := b.visitOf(r.Context(), c, &a)
	if err != nil || v.Outcome == nil || v.Outcome.Kind != visit.HandedOver {
		none()
		return
	}
	b.stopShow(w, c, http.StatusOK, c.say("sheet-for", "Machine", v.Machine), "stopsheet", b.sheet(c, &a, &v, c.path()))
}

// visitSheet is the same page for whoever sends the mechanic.
func (b *Board) visitSheet(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Security-Policy", stopPolicy)
	c := b.english(readerOf(r), b.clock.Now())
	none := func() {
		b.fail(w, r, http.StatusNotFound, "No sheet", "There is a sheet once a visit was handed over to a mechanic.")
	}
	if b.visits == nil {
		none()
		return
	}
	kept, err := b.visits.Visit(r.Context(), r.URL.Query().Get("visit"))
	if err != nil || kept.Alert != r.PathValue("alert") {
		none()
		return
	}
	var v visit.Visit
	a, err := b.ledger.Alert(r.Context(), kept.Alert)
	if err != nil || json.Unmarshal(kept.Body, &v) != nil || v.Outcome == nil || v.Outcome.Kind != visit.HandedOver {
		none()
		return
	}
	b.stopShow(w, c, http.StatusOK, c.say("sheet-for", "Machine", v.Machine), "stopsheet", b.sheet(c, &a, &v, alertURL(a.ID)))
}

// sheet is what a mechanic needs to know of a visit.
func (b *Board) sheet(c *caller, a *alerts.Alert, v *visit.Visit, back string) sheetView {
	zone := time.UTC
	s, listed := b.fleet().Site(v.Site)
	if listed && s.Location != nil {
		zone = s.Location
	}
	job, m := b.job(a, v.Site)
	o := v.Outcome
	out := sheetView{Machine: c.voice.Title(&job), What: c.what(m), Site: v.Site, By: o.By,
		At: c.moment(o.At, zone), Note: o.What, Product: c.decision(o.Product), Back: back,
		Refrigerant: either(m.Refrigerant == "", c.say("no-refrigerant"), m.Refrigerant)}
	if listed {
		out.Site, out.Address = s.Name, s.Address
	}
	if o.Fault != fault.Well {
		out.Found = c.voice.Fault(o.Fault)
	}
	belief := v.Belief()
	for _, x := range inQuestion(belief.Ranked(), 0.05) {
		out.Causes = append(out.Causes, causeLine{c.voice.Fault(x.Fault), c.probability(x.Probability)})
	}
	out.Evidence = c.voice.Evidence(a.Evidence, c.now)
	for _, text := range c.voice.Evidence(a.RuledOut, c.now) {
		out.Evidence = append(out.Evidence, c.say("against", "What", text))
	}
	for _, g := range v.Answered() {
		out.Checks = append(out.Checks, strings.Trim(c.voice.Sentence(g.Check.Title), "¿?")+": "+c.voice.Sentence(g.Answer.Text))
	}
	if v.Measured != nil {
		out.Checks = append(out.Checks, c.say("product-measured", "Temperature", c.reader.temperature(quantity.Celsius(*v.Measured))))
	}
	causes := []fault.Fault{o.Fault, a.Fault, fault.RefrigerantLow} // a sealed system may be opened
	out.Cautions = c.voice.Cautions(m, causes)
	return out
}
