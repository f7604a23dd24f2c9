package fleet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// checker reads sites and machines and holds them against each other.
type checker struct {
	r        *reader
	sites    map[string]int // id to line
	machines map[string]int
	zones    map[string]*time.Location
}

// named returns what to call the nth thing of a list: by its id if it has one.
func named(noun string, v value, nth int) string {
	if m, ok := v.node.(*ast.MappingNode); ok {
		for _, p := range m.Values {
			if scalarText(p.Key) == "id" {
				id := value{r: v.r, node: p.Value}
				return fmt.Sprintf("%s %q", noun, id.text())
			}
		}
	}
	return fmt.Sprintf("%s %d", noun, nth)
}

// id takes the id of a site or machine, which seen must not hold yet.
func (c *checker) id(v value, what string, has bool, idValue value, seen map[string]int) string {
	if !has {
		c.r.problem(v.line, "%s: id is missing; give it the id it has in its topic", what)
		return ""
	}
	id, ok := idValue.word()
	if !ok {
		return ""
	}
	if !ValidID(id) {
		c.r.problem(idValue.line, "%s: id does not fit a topic; use 1 to 64 letters, digits, dots, hyphens and underscores, the first a letter or digit", what)
	}
	if line, twice := seen[id]; twice {
		c.r.problem(idValue.line, "%s is there twice, first on line %d; ids are unique in the fleet: rename one", what, line)
	} else {
		seen[id] = idValue.line
	}
	return id
}

func (c *checker) site(f *Fleet, v value, nth int) *Site {
	what := named("site", v, nth)
	entries := v.entries(what, siteKeys)
	if entries == nil {
		if v.isNull() {
			c.r.problem(v.line, "%s is empty; give it an id or delete it", what)
		}
		return nil
	}
	s := &Site{Location: time.UTC}
	get := func(key string) (value, bool) {
		i := slices.IndexFunc(entries, func(e entry) bool { return e.key == key })
		if i < 0 {
			return value{}, false
		}
		return entries[i].value, true
	}
	idValue, has := get("id")
	s.ID = c.id(v, what, has, idValue, c.sites)
	s.Name = s.ID

	lat, hasLat := get("latitude")
	long, hasLong := get("longitude")
	if hasLat {
		s.Latitude, _ = lat.number(-90, 90, "°", "write degrees north, south negative; are latitude and longitude swapped?")
	}
	if hasLong {
		s.Longitude, _ = long.number(-180, 180, "°", "write degrees east, west negative")
	}
	s.Located = hasLat && hasLong
	if hasLat != hasLong {
		c.r.problem(max(lat.line, long.line), "%s: latitude and longitude go together; give both or neither", what)
	}
	zone, has := get("timezone")
	if !has {
		c.r.problem(v.line, "%s: timezone is missing; write a name such as America/New_York, or Etc/UTC", what)
	}
	var machines value
	for _, e := range entries {
		switch e.key {
		case "name":
			s.Name, _ = e.value.word()
		case "timezone":
			s.Location = c.zone(zone)
		case "address":
			s.Address, _ = e.value.word()
		case "contact":
			s.Contact = c.contact(e.value)
		case "opening_hours":
			s.Hours, _ = c.hours(e.value)
			s.fileHours = s.Hours
		case "machines":
			machines = e.value
		default:
			s.settings.read(e, what)
		}
	}
	if machines.node == nil {
		return s
	}
	for i, item := range machines.items() {
		if m := c.machine(f, s, item, i+1); m != nil {
			s.Machines = append(s.Machines, m)
		}
	}
	return s
}

func (c *checker) zone(v value) *time.Location {
	name, ok := v.word()
	if !ok {
		return time.UTC
	}
	if loc, ok := c.zones[name]; ok {
		return loc
	}
	loc, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		c.r.problem(v.line, "%s %q is not in the time zone database; write a name such as America/New_York or Europe/Berlin", v.what, name)
		loc = time.UTC
	}
	c.zones[name] = loc
	return loc
}

func (c *checker) contact(v value) (to Contact) {
	for _, e := range v.entries(v.what, contactKeys) {
		w, _ := e.value.word()
		switch e.key {
		case "name":
			to.Name = w
		case "phone":
			to.Phone = w
		case "email":
			if to.Email = w; w != "" && !strings.Contains(w, "@") {
				c.r.problem(e.value.line, "%s %q has no @; write a whole address", e.value.what, w)
			}
		case "note":
			to.Note = w
		}
	}
	return to
}

// hours reads opening hours; given is the line of each day, 0 for one that is not
// named.
func (c *checker) hours(v value) (h *Hours, given [7]int) {
	h = new(Hours)
	for _, e := range v.entries(v.what, nil) {
		of, err := parseDays(e.key)
		if err != nil {
			c.r.problem(e.value.line, "%s: %v", v.what, err)
			continue
		}
		text, ok := e.value.word()
		if !ok {
			continue
		}
		spans, err := parseSpans(text)
		if err != nil {
			c.r.problem(e.value.line, "%s: %v", e.value.what, err)
		}
		for _, d := range of {
			if given[d] != 0 {
				c.r.problem(e.value.line, "%s: %s is there twice, first on line %d; give each day once", v.what, days[d], given[d])
			}
			given[d] = e.value.line
			h[d] = spans
		}
	}
	return h, given
}

func (c *checker) machine(f *Fleet, s *Site, v value, nth int) *Machine {
	what := named("machine", v, nth)
	entries := v.entries(what, machineKeys)
	if entries == nil {
		if v.isNull() {
			c.r.problem(v.line, "%s is empty; give it an id or delete it", what)
		}
		return nil
	}
	own := new(settings)
	var idValue, limits value
	var hasID, hasLimits bool
	for _, e := range entries {
		switch e.key {
		case "id":
			idValue, hasID = e.value, true
		case "limits":
			limits, hasLimits = e.value, true
		default:
			own.read(e)
		}
	}
	m := &Machine{Site: s.ID}
	m.ID = c.id(v, what, hasID, idValue, c.machines)
	if hasLimits { // of the product it holds, whichever that is
		part := own.readPart(limits)
		for p := range own.limits {
			own.limits[p] = part
		}
	}
	before := len(c.r.problems)
	m.own = own
	lines := inherit(m, stack{fleet: &f.settings, site: &s.settings, own: own})
	if m.origins[FieldKind].level == BuiltIn && !hasKey(entries, "kind") {
		c.r.problem(v.line, "%s: kind is missing; write one of %s, or set it under defaults", what, strings.Join(kinds[:], ", "))
	}
	if m.origins[FieldProduct].level == BuiltIn && !hasKey(entries, "product") {
		c.r.problem(v.line, "%s: product is missing; write one of %s, or set it under defaults", what, strings.Join(productNames(), ", "))
	}
	if len(c.r.problems) == before {
		c.r.consistent(m, what, lines, v.line)
	}
	return m
}

func hasKey(entries []entry, key string) bool {
	return slices.ContainsFunc(entries, func(e entry) bool { return e.key == key })
}
