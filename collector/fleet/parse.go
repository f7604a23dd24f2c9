package fleet

import (
	"fmt"
	"regexp"
	"time"
	_ "time/tzdata" // a fleet file means the same on a machine without zone files

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"coilward/collector"
	"coilward/collector/quantity"
)

// ValidID reports whether id may name a site or a machine, in the file and in
// a topic.
func ValidID(id string) bool { return validID.MatchString(id) }

var (
	validID       = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)
	validCurrency = regexp.MustCompile(`^[A-Z]{3}$`)
)

var (
	machineKeys = []string{"id", "kind", "product", "setpoint", "differential", "refrigerant", "evaporator_fan",
		"refrigerated_volume", "load_value", "channels", "limits", "alerting"}
	defaultKeys = machineKeys[1:10] // without limits and alerting: those are keys of their own
	kindKeys    = machineKeys[2:]   // a kind cannot set the kind
	siteKeys    = []string{"id", "name", "latitude", "longitude", "timezone", "address", "contact", "opening_hours",
		"limits", "alerting", "defaults", "kinds", "machines"}
	fleetKeys   = []string{"currency", "limits", "alerting", "defaults", "kinds", "sites"}
	contactKeys = []string{"name", "phone", "email", "note"}
	limitKeys   = []string{"warm", "cold"}
)

// Parse reads a fleet file. name is the file's name in messages. The error
// joins one Problem for each thing that is wrong, in the order of the file;
// the fleet is nil then.
func Parse(name string, data []byte) (*Fleet, error) {
	r := &reader{file: name, anchors: make(map[string]ast.Node)}
	tree, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey()) // entries reports them, and goes on
	if err != nil {
		return nil, joined(name, []Problem{syntaxProblem(name, err)})
	}
	var body ast.Node
	for _, doc := range tree.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			r.problem(lineOf(doc.Body), "a second document begins here; a fleet is one document, remove the --- before it")
			break
		}
		body = doc.Body
	}
	if body != nil {
		ast.Walk(anchors(r.anchors), body)
	}
	f := r.fleet(value{r, r.plain(body), 1, "fleet"})
	if len(r.problems) > 0 {
		return nil, joined(name, r.problems)
	}
	f.index()
	return f, nil
}

func syntaxProblem(file string, err error) Problem {
	var located yaml.Error
	if e, ok := err.(yaml.Error); ok {
		located = e
	}
	if located == nil || located.GetToken() == nil {
		return Problem{File: file, Text: "not YAML: " + err.Error()}
	}
	return Problem{File: file, Line: located.GetToken().Position.Line,
		Text: fmt.Sprintf("not YAML: %s; check indentation, colons and quotes on this line and the one before", located.GetMessage())}
}

type anchors map[string]ast.Node

// Visit notes what each anchor stands for.
func (a anchors) Visit(n ast.Node) ast.Visitor {
	if t, ok := n.(*ast.AnchorNode); ok {
		a[t.Name.String()] = t.Value
	}
	return a
}

func (r *reader) fleet(v value) *Fleet {
	f := &Fleet{}
	var sites value
	has := false
	for _, e := range v.entries("fleet", fleetKeys) {
		switch e.key {
		case "currency":
			if w, ok := e.value.word(); ok {
				if f.Currency = w; !validCurrency.MatchString(w) {
					r.problem(e.value.line, "currency %q is not an ISO 4217 code; write three capitals such as USD or EUR", w)
				}
			}
		case "sites":
			sites, has = e.value, true
			sites.what = "sites"
		default:
			f.settings.read(e, "fleet")
		}
	}
	if !has {
		r.problem(v.line, "sites is missing; list the sites under it (see the example), or write sites: [] to take every machine as unlisted")
		return f
	}
	c := checker{r: r, sites: make(map[string]int), machines: make(map[string]int), zones: make(map[string]*time.Location)}
	for i, item := range sites.items() {
		if s := c.site(f, item, i+1); s != nil {
			f.Sites = append(f.Sites, s)
		}
	}
	return f
}

// read takes a settings key of the fleet or a site.
func (s *siteSettings) read(e entry, what string) {
	switch e.key {
	case "limits":
		s.readLimits(e.value)
	case "alerting":
		s.readAlerting(e.value)
	case "defaults":
		for _, d := range e.value.entries(what+": defaults", defaultKeys) {
			s.settings.read(d)
		}
	case "kinds":
		for _, k := range e.value.entries(what+": kinds", kinds[:]) {
			kind, err := ParseKind(k.key)
			if err != nil {
				continue // reported by entries
			}
			s.kinds[kind] = new(settings)
			for _, d := range k.value.entries(what+": kinds: "+k.key, kindKeys) {
				s.kinds[kind].read(d)
			}
		}
	}
}

// read takes one machine value.
func (s *settings) read(e entry) {
	v, r := e.value, e.value.r
	var f Field
	switch e.key {
	case "kind":
		f, s.kind = FieldKind, readWord(v, ParseKind)
	case "product":
		f, s.product = FieldProduct, readWord(v, ParseProduct)
	case "evaporator_fan":
		f, s.evaporatorFan = FieldEvaporatorFan, readWord(v, ParseFanControl)
	case "setpoint":
		f = FieldSetpoint
		s.setpoint = readNumber[quantity.Celsius](v, -40, 40, " °C", "write the centre of cut-out and cut-in in °C")
	case "differential":
		f = FieldDifferential
		s.differential = readNumber[quantity.Kelvin](v, 0.1, 20, " K", "write cut-in minus cut-out in K")
	case "refrigerant":
		f = FieldRefrigerant
		if w, ok := v.word(); ok {
			s.refrigerant = &w
		}
	case "refrigerated_volume":
		f = FieldRefrigeratedVolume
		s.volume = readNumber[float64](v, 0.01, 20, " m³", "write m³: litres divided by 1000")
	case "load_value":
		f = FieldLoadValue
		s.loadValue = readNumber[float64](v, 0, 1e9, "", "write what the product on board is worth, without the currency")
	case "channels":
		f = FieldChannels
		var set collector.ChannelSet
		for _, item := range v.items() {
			item.what = v.what
			w, ok := item.word()
			if !ok {
				continue
			}
			ch, known := collector.ChannelByName(w)
			switch {
			case !known:
				r.problem(item.line, "%s: unknown channel %q%s; leave it out: what is not in the channel table is kept in the history all the same",
					v.what, w, didYouMean(w, channelNames))
			case set.Has(ch):
				r.problem(item.line, "%s: %s is there twice; delete one", v.what, w)
			default:
				set = set.With(ch)
			}
		}
		s.channels = &set
	case "limits":
		s.readLimits(v)
		return
	case "alerting":
		s.readAlerting(v)
		return
	}
	s.line[f] = v.line
}

// readLimits takes limits by product.
func (s *settings) readLimits(v value) {
	for _, p := range v.entries(v.what, productNames()) {
		product, err := ParseProduct(p.key)
		if err != nil {
			continue // reported by entries
		}
		s.limits[product] = s.readPart(p.value)
	}
}

// readPart takes the limits of one product.
func (s *settings) readPart(v value) (part partLimits) {
	const advice = "write the temperature of the product in °C"
	for _, l := range v.entries(v.what, limitKeys) {
		t := readNumber[quantity.Celsius](l.value, -30, 30, " °C", advice)
		if l.key == "warm" {
			part.warm, s.line[FieldWarmLimit] = t, l.value.line
		} else {
			part.cold, s.line[FieldColdLimit] = t, l.value.line
		}
	}
	return part
}

func readWord[T any](v value, parse func(string) (T, error)) *T {
	w, ok := v.word()
	if !ok {
		return nil
	}
	t, err := parse(w)
	if err != nil {
		v.r.problem(v.line, "%s %v", v.what, err)
		return nil
	}
	return &t
}

func readNumber[T ~float64](v value, lowest, highest float64, unit, advice string) *T {
	x, ok := v.number(lowest, highest, unit, advice)
	if !ok {
		return nil
	}
	t := T(x)
	return &t
}

var channelNames = func() (names []string) {
	for c := range collector.NumChannels {
		names = append(names, collector.Channel(c).String())
	}
	return names
}()
