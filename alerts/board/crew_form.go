package board

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"coilward/alerts/route"
	"coilward/collector/fleet"
)

// fill puts a tech into the form.
func (f *techForm) fill(m *route.Member) {
	place := func(c route.Coordinates) string {
		return strconv.FormatFloat(c.Latitude, 'f', -1, 64) + ", " + strconv.FormatFloat(c.Longitude, 'f', -1, 64)
	}
	f.ID, f.Name, f.Zone, f.Fahrenheit, f.Language, f.Start = m.ID, m.Name, m.TimeZone, m.Fahrenheit, m.Language, place(m.Start)
	if m.End != nil {
		f.End = place(*m.End)
	}
	f.Mechanic, f.Electrician = slices.Contains(m.Skills, "refrigeration-mechanic"), slices.Contains(m.Skills, "electrician")
	f.Shift = shiftText(m.Shift)
	var van, to []string
	for _, part := range slices.Sorted(maps.Keys(m.Van)) {
		van = append(van, fmt.Sprintf("%d %s", m.Van[part], part))
	}
	for _, c := range m.Contacts {
		to = append(to, c.Channel+" "+c.To)
	}
	f.Van, f.To = strings.Join(van, "\n"), strings.Join(to, "\n")
}

// shiftText writes hours a line each, in the order of the week.
func shiftText(hours map[string]string) string {
	week := "monday tuesday wednesday thursday friday saturday sunday"
	days := slices.SortedFunc(maps.Keys(hours), func(a, b string) int {
		at := func(s string) int { return strings.Index(week, strings.ToLower(s[:min(3, len(s))])) }
		return cmp.Or(at(a)-at(b), strings.Compare(a, b))
	})
	for i, d := range days {
		days[i] = d + " " + hours[d]
	}
	return strings.Join(days, "\n")
}

// linesIn are the lines of a field that say something.
func linesIn(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if line = strings.Join(strings.Fields(line), " "); line != "" {
			out = append(out, line)
		}
	}
	return out
}

func (f *techForm) who(r *http.Request) {
	f.Version, _ = strconv.Atoi(r.PostFormValue("version"))
	f.Who, f.Why = cleanName(r.PostFormValue("who")), cleanName(r.PostFormValue("why"))
}

// read takes the form, and says what cannot be understood.
func (f *techForm) read(r *http.Request) (route.Member, []string) {
	f.who(r)
	v := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	f.ID, f.Name, f.Start, f.End, f.Zone, f.Shift, f.Van, f.To = v("id"), cleanName(v("name")), v("start"), v("end"), v("zone"), v("shift"), v("van"), v("to")
	f.Mechanic, f.Electrician, f.Fahrenheit, f.Language = v("mechanic") != "", v("electrician") != "", v("fahrenheit") != "", v("language")
	m := route.Member{ID: f.ID, Name: f.Name, TimeZone: f.Zone, Fahrenheit: f.Fahrenheit, Language: f.Language, Shift: map[string]string{}}
	var problems []string
	bad := func(format string, args ...any) { problems = append(problems, fmt.Sprintf(format, args...)) }
	if strings.ContainsAny(f.ID, "/ ?#%") {
		bad("The id %q may have letters, digits, dots and dashes only.", f.ID)
	}
	place := func(what, text string) route.Coordinates {
		lat, lon, ok := strings.Cut(text, ",")
		x, err1 := strconv.ParseFloat(strings.TrimSpace(lat), 64)
		y, err2 := strconv.ParseFloat(strings.TrimSpace(lon), 64)
		if !ok || err1 != nil || err2 != nil {
			bad("%s %q: write latitude and longitude in degrees, such as 40.44, -79.99.", what, text)
			return route.Coordinates{Latitude: 1} // told already
		}
		return route.Coordinates{Latitude: x, Longitude: y}
	}
	m.Start = place("The start", f.Start)
	if f.End != "" {
		end := place("The end", f.End)
		m.End = &end
	}
	if f.Mechanic {
		m.Skills = append(m.Skills, "refrigeration-mechanic")
	}
	if f.Electrician {
		m.Skills = append(m.Skills, "electrician")
	}
	for _, line := range linesIn(f.Shift) {
		days, hours, ok := strings.Cut(line, " ")
		if _, twice := m.Shift[days]; !ok || twice {
			bad("Shift %q: write days and hours, each days once, such as mon-fri 07:00-16:00.", line)
			continue
		}
		m.Shift[days] = hours
	}
	for _, line := range linesIn(f.Van) {
		many, part, ok := strings.Cut(line, " ")
		n, err := strconv.Atoi(many)
		if !ok || err != nil || n < 1 || n > 999 {
			bad("In the van, %q: write how many and what, such as 2 evaporator fan motor.", line)
			continue
		}
		if m.Van == nil {
			m.Van = map[string]int{}
		}
		m.Van[part] += n
	}
	for _, line := range linesIn(f.To) {
		channel, to, ok := strings.Cut(line, " ")
		if !ok {
			bad("Contact %q: write the channel and the address, such as email ines@mail.example.", line)
			continue
		}
		m.Contacts = append(m.Contacts, route.Reach{Channel: channel, To: to})
	}
	return m, problems
}

// read takes the form of a row.
func (f *partsForm) read(r *http.Request) route.Row {
	f.Version, _ = strconv.Atoi(r.PostFormValue("version"))
	f.Who, f.Why = cleanName(r.PostFormValue("who")), cleanName(r.PostFormValue("why"))
	row := route.Row{Service: strings.TrimSpace(r.PostFormValue("service")), Licence: r.PostFormValue("licence"),
		Parts: linesIn(r.PostFormValue("parts")), Tools: linesIn(r.PostFormValue("tools")), Kinds: map[string]route.Extra{}}
	for k := range fleet.NumKinds {
		word := fleet.Kind(k).String()
		x := route.Extra{Parts: linesIn(r.PostFormValue("parts-" + word)), Tools: linesIn(r.PostFormValue("tools-" + word))}
		if len(x.Parts)+len(x.Tools) > 0 {
			row.Kinds[word] = x
		}
	}
	f.fill(row)
	return row
}
