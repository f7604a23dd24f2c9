package board

import (
	"net/http"
	"slices"

	"coilward/alerts/visit"
	"coilward/collector/quantity"
	"coilward/detect/fault"
)

// sheetView is what a licensed mechanic is handed.
type sheetView struct {
	Machine, What, Site, Address, Refrigerant string
	By, At, Note, Product, Back               string
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
	job, m := b.job(&a, c.stop)
	o := v.Outcome
	out := sheetView{Machine: job.Title(), What: kindWords[m.Kind] + " with " + productWords[m.Product], Site: c.stop, By: o.By,
		At: c.reader.moment(o.At, c.now, c.tech.Location()), Note: o.What, Product: productWordsOf[o.Product], Back: c.path(),
		Refrigerant: either(m.Refrigerant == "", "not on file: read the plate", m.Refrigerant)}
	if s, ok := b.fleet().Site(c.stop); ok {
		out.Site, out.Address = s.Name, s.Address
	}
	belief := v.Belief()
	for _, x := range inQuestion(belief.Ranked(), 0.1) {
		out.Causes = append(out.Causes, causeLine{x.Fault.Title(), probability(x.Probability)})
	}
	for _, e := range a.Evidence {
		out.Evidence = append(out.Evidence, c.reader.sentence(e.Text))
	}
	for _, e := range a.RuledOut {
		out.Evidence = append(out.Evidence, "Against the others: "+c.reader.sentence(e.Text))
	}
	for _, text := range v.Told() {
		out.Checks = append(out.Checks, text)
	}
	if v.Measured != nil {
		out.Checks = append(out.Checks, "Product measured: "+c.reader.temperature(quantity.Celsius(*v.Measured)))
	}
	causes := []fault.Fault{o.Fault, a.Fault, fault.RefrigerantLow} // a sealed system may be opened
	out.Cautions = cautions(m, causes)
	b.stopShow(w, c, http.StatusOK, "Sheet for "+job.Machine, "stopsheet", out)
}
