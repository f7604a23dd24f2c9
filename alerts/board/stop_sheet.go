package board

import (
	"encoding/json"
	"net/http"
	"slices"
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
		b.stopWord(w, c, http.StatusNotFound, "No sheet", "There is a sheet once a visit of this stop was handed over to a mechanic.")
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
	b.stopShow(w, c, http.StatusOK, "Sheet for "+v.Machine, "stopsheet", b.sheet(c.reader, &a, &v, c.path()))
}

// visitSheet is the same page for whoever sends the mechanic.
func (b *Board) visitSheet(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Security-Policy", stopPolicy)
	c := &caller{now: b.clock.Now(), reader: readerOf(r)}
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
	b.stopShow(w, c, http.StatusOK, "Sheet for "+v.Machine, "stopsheet", b.sheet(c.reader, &a, &v, alertURL(a.ID)))
}

// sheet is what a mechanic needs to know of a visit.
func (b *Board) sheet(r Reader, a *alerts.Alert, v *visit.Visit, back string) sheetView {
	zone := time.UTC
	s, listed := b.fleet().Site(v.Site)
	if listed && s.Location != nil {
		zone = s.Location
	}
	job, m := b.job(a, v.Site)
	o := v.Outcome
	out := sheetView{Machine: job.Title(), What: kindWords[m.Kind] + " with " + productWords[m.Product], Site: v.Site, By: o.By,
		At: r.moment(o.At, b.clock.Now(), zone), Note: o.What, Product: productWordsOf[o.Product], Back: back,
		Refrigerant: either(m.Refrigerant == "", "not on file: read the plate", m.Refrigerant)}
	if listed {
		out.Site, out.Address = s.Name, s.Address
	}
	if o.Fault != fault.Well {
		out.Found = o.Fault.Title()
	}
	belief := v.Belief()
	for _, x := range inQuestion(belief.Ranked(), 0.05) {
		out.Causes = append(out.Causes, causeLine{x.Fault.Title(), probability(x.Probability)})
	}
	for _, e := range a.Evidence {
		out.Evidence = append(out.Evidence, r.sentence(e.Text))
	}
	for _, e := range a.RuledOut {
		out.Evidence = append(out.Evidence, "Against the others: "+r.sentence(e.Text))
	}
	out.Checks = append(out.Checks, v.Told()...)
	if v.Measured != nil {
		out.Checks = append(out.Checks, "Product measured: "+r.temperature(quantity.Celsius(*v.Measured)))
	}
	causes := []fault.Fault{o.Fault, a.Fault, fault.RefrigerantLow} // a sealed system may be opened
	out.Cautions = cautions(m, causes)
	return out
}
