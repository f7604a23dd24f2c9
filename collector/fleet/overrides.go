package fleet

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Scope is one place where a setting can be laid over the fleet file. It is
// comparable; fields that do not belong to the level are zero.
type Scope struct {
	Level   Level
	Site    string // SiteDefault, SiteKind
	Kind    Kind   // FleetKind, SiteKind
	Machine string // OwnValue
}

// String names the scope, such as "site oakmill".
func (s Scope) String() string {
	if s.Level == OwnValue {
		return "machine " + s.Machine
	}
	return Origin{Level: s.Level, Site: s.Site, Kind: s.Kind}.String()
}

// Contains reports whether what is set at s may reach the machine.
func (s Scope) Contains(m *Machine) bool {
	switch s.Level {
	case SiteDefault:
		return m.Site == s.Site
	case FleetKind:
		return m.Kind == s.Kind
	case SiteKind:
		return m.Site == s.Site && m.Kind == s.Kind
	case OwnValue:
		return m.ID == s.Machine
	}
	return true
}

func (s Scope) compare(o Scope) int {
	return cmp.Or(cmp.Compare(s.Level, o.Level), cmp.Compare(s.Site, o.Site), cmp.Compare(s.Kind, o.Kind), cmp.Compare(s.Machine, o.Machine))
}

// Overrides are settings laid over a fleet file: at each level they beat what the
// file says there. They do not change; the zero value sets nothing. Get them with
// ParseOverrides.
type Overrides struct {
	file string // its name in problems
	at   map[Scope]*laid
}

// laid is what one scope sets.
type laid struct {
	settings
	hours     [7][]Span // of a site
	hoursSet  [7]bool
	hoursLine int
	line      int // where it begins
}

var overrideKeys = []string{"fleet", "kinds", "sites", "machines"}

// ParseOverrides reads overrides as [Overrides.YAML] writes them. The error joins
// one Problem for each thing that is wrong.
func ParseOverrides(name string, data []byte) (*Overrides, error) {
	r := &reader{file: name, anchors: make(map[string]ast.Node)}
	tree, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, joined(name, []Problem{syntaxProblem(name, err)})
	}
	o := &Overrides{file: name, at: map[Scope]*laid{}}
	for i, doc := range tree.Docs {
		if doc.Body == nil {
			continue
		}
		if i > 0 {
			r.problem(lineOf(doc.Body), "a second document begins here; settings are one document, remove the --- before it")
			break
		}
		ast.Walk(anchors(r.anchors), doc.Body)
		o.read(value{r, r.plain(doc.Body), 1, "settings"})
	}
	if len(r.problems) > 0 {
		return nil, joined(name, r.problems)
	}
	return o, nil
}

func (o *Overrides) read(v value) {
	for _, e := range v.entries("settings", overrideKeys) {
		switch e.key {
		case "fleet":
			o.readScope(Scope{Level: FleetDefault}, e.value, "fleet")
		case "kinds":
			o.readKinds(e.value, "")
		case "sites":
			for _, s := range e.value.entries("sites", nil) {
				if !ValidID(s.key) {
					v.r.problem(s.value.line, "sites: %q is no id of a site", s.key)
					continue
				}
				o.readScope(Scope{Level: SiteDefault, Site: s.key}, s.value, fmt.Sprintf("site %q", s.key))
			}
		case "machines":
			for _, m := range e.value.entries("machines", nil) {
				if !ValidID(m.key) {
					v.r.problem(m.value.line, "machines: %q is no id of a machine", m.key)
					continue
				}
				o.readScope(Scope{Level: OwnValue, Machine: m.key}, m.value, fmt.Sprintf("machine %q", m.key))
			}
		}
	}
}

func (o *Overrides) readKinds(v value, site string) {
	for _, k := range v.entries(v.what, kinds[:]) {
		kind, err := ParseKind(k.key)
		if err != nil {
			continue // reported by entries
		}
		scope := Scope{Level: FleetKind, Kind: kind}
		if site != "" {
			scope = Scope{Level: SiteKind, Site: site, Kind: kind}
		}
		o.readScope(scope, k.value, k.value.what)
	}
}

func (o *Overrides) readScope(scope Scope, v value, what string) {
	known := []string{"limits", "alerting"}
	if scope.Level == SiteDefault {
		known = append(known, "opening_hours", "kinds")
	}
	l := &laid{line: v.line}
	for _, e := range v.entries(what, known) {
		switch {
		case e.key == "kinds":
			o.readKinds(e.value, scope.Site)
		case e.key == "opening_hours":
			c := checker{r: v.r}
			h, given := c.hours(e.value)
			l.hoursLine = e.value.line
			for d := range given {
				if given[d] != 0 {
					l.hours[d], l.hoursSet[d] = h[d], true
				}
			}
		case e.key == "limits" && scope.Level == OwnValue:
			part := l.readPart(e.value)
			for p := range l.limits {
				l.limits[p] = part
			}
		default:
			l.settings.read(e)
		}
	}
	if len(l.values(scope)) > 0 {
		o.at[scope] = l
	}
}

// Scopes returns the places where something is set, the weakest first.
func (o *Overrides) Scopes() []Scope {
	if o == nil {
		return nil
	}
	return slices.SortedFunc(maps.Keys(o.at), Scope.compare)
}

// Values returns what is set at a scope, by key, as text.
func (o *Overrides) Values(s Scope) map[string]string {
	if o == nil || o.at[s] == nil {
		return map[string]string{}
	}
	return o.at[s].values(s)
}

// Len is how many values are set.
func (o *Overrides) Len() (n int) {
	for _, s := range o.Scopes() {
		n += len(o.Values(s))
	}
	return n
}

// Edit is one value to set; an empty one is to be left to the weaker levels.
type Edit struct {
	Scope Scope
	Key   string
	Value string
}

// With returns the overrides with the edits made. The error joins problems that
// name the scope and the key; nothing is changed then.
func (o *Overrides) With(edits ...Edit) (*Overrides, error) {
	flat := map[Scope]map[string]string{}
	for _, s := range o.Scopes() {
		flat[s] = o.Values(s)
	}
	for _, e := range edits {
		if flat[e.Scope] == nil {
			flat[e.Scope] = map[string]string{}
		}
		if v := strings.TrimSpace(e.Value); v == "" {
			delete(flat[e.Scope], e.Key)
		} else {
			flat[e.Scope][e.Key] = v
		}
	}
	return ParseOverrides("settings", writeOverrides(flat))
}

// YAML writes the overrides in their one form: the same settings are the same
// bytes.
func (o *Overrides) YAML() []byte {
	flat := map[Scope]map[string]string{}
	for _, s := range o.Scopes() {
		flat[s] = o.Values(s)
	}
	return writeOverrides(flat)
}

// Equal reports whether both set the same.
func (o *Overrides) Equal(p *Overrides) bool { return bytes.Equal(o.YAML(), p.YAML()) }

// ParseScope reads a scope as String writes it.
func ParseScope(text string) (Scope, error) {
	bad := fmt.Errorf("%q is no place for a setting; write fleet, site ID, kind KIND, kind KIND at site ID, or machine ID", text)
	word, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	id := strings.TrimSpace(rest)
	switch word {
	case "fleet":
		if id == "" {
			return Scope{Level: FleetDefault}, nil
		}
	case "site":
		if ValidID(id) {
			return Scope{Level: SiteDefault, Site: id}, nil
		}
	case "machine":
		if ValidID(id) {
			return Scope{Level: OwnValue, Machine: id}, nil
		}
	case "kind":
		kindWord, site, atSite := strings.Cut(id, " at site ")
		kind, err := ParseKind(kindWord)
		switch {
		case err != nil:
			return Scope{}, err
		case !atSite:
			return Scope{Level: FleetKind, Kind: kind}, nil
		case ValidID(site):
			return Scope{Level: SiteKind, Kind: kind, Site: site}, nil
		}
	}
	return Scope{}, bad
}
