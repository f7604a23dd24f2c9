package board

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"coilward/alerts/route"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Crew is who can be sent and what they load, for people to edit. Routes that are
// one can be edited on the board.
type Crew interface {
	Crew() CrewSheet
	// SaveTechs keeps techs that were edited from version base. The person is shown
	// the error word for word.
	SaveTechs(ctx context.Context, techs []route.Member, base int, who, why string) error
	// SaveParts keeps a table of parts, likewise.
	SaveParts(ctx context.Context, parts *route.Parts, base int, who, why string) error
}

// CrewSheet is what a [Crew] has now.
type CrewSheet struct {
	Techs                  []route.Member
	Parts                  *route.Parts
	TechsSaved, PartsSaved Saved
}

// Saved is who saved something last. Version 0: nobody, it is from the
// configuration.
type Saved struct {
	Version  int
	At       time.Time
	Who, Why string
}

// crewRoutes are the pages on which techs and parts are edited. There are no
// accounts yet, so they are for whoever sits at this computer.
func (b *Board) crewRoutes(mux *http.ServeMux) {
	here := func(pattern string, f func(http.ResponseWriter, *http.Request, Crew)) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			crew, ok := b.routesOf.(Crew)
			switch {
			case !ok:
				b.fail(w, r, http.StatusNotFound, "Nothing here", "No routes are planned here.")
			case !atThisComputer(r):
				b.fail(w, r, http.StatusForbidden, "Only at this computer", "Techs and parts are edited at the computer that coilward runs on, at http://"+b.listen+"/crew: there are no accounts yet that would say who may.")
			default:
				f(w, r, crew)
			}
		})
	}
	here("GET /crew", b.showCrew)
	here("GET /crew/tech/{tech}", b.showTech)
	here("POST /crew/tech/{tech}", b.saveTech)
	here("POST /crew/tech/{tech}/remove", b.removeTech)
	here("GET /crew/parts/{fault}", b.showParts)
	here("POST /crew/parts/{fault}", b.saveParts)
}

// atThisComputer reports whether a request came straight from this computer, and
// not through a proxy that others reach.
func atThisComputer(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	from, err := netip.ParseAddr(host)
	name := hostOnly(r.Host)
	return err == nil && from.IsLoopback() && (name == "localhost" || name == "127.0.0.1" || name == "::1")
}

// crewView lists techs and parts.
type crewView struct {
	Techs                  []crewLine
	Parts                  []crewLine
	TechsSaved, PartsSaved string
	People                 bool // whether messages arrive can be tried
}

type crewLine struct{ Name, URL, Text string }

func (b *Board) savedWords(r Reader, s Saved) string {
	if s.Version == 0 {
		return "As the configuration has it; the first edit here takes its place."
	}
	words := "Version " + letter0(s.Version-1) + ", " + r.moment(s.At, b.clock.Now(), b.homeZone()) + ", " + s.Who
	if s.Why != "" {
		words += ": " + s.Why
	}
	return words + "."
}

func (b *Board) showCrew(w http.ResponseWriter, r *http.Request, c Crew) {
	sheet, reader := c.Crew(), readerOf(r)
	out := crewView{People: b.team != nil, TechsSaved: b.savedWords(reader, sheet.TechsSaved), PartsSaved: b.savedWords(reader, sheet.PartsSaved)}
	for i := range sheet.Techs {
		m := &sheet.Techs[i]
		name := m.Name
		if name == "" {
			name = m.ID
		}
		out.Techs = append(out.Techs, crewLine{name, "/crew/tech/" + url.PathEscape(m.ID), strings.ReplaceAll(shiftText(m.Shift), "\n", "; ")})
	}
	out.Parts = append(out.Parts, crewLine{"every round", "/crew/parts/always", strings.Join(slices.Concat(sheet.Parts.Always().Parts, sheet.Parts.Always().Tools), ", ")})
	for f := fault.Well + 1; int(f) < fault.Num; f++ {
		row := sheet.Parts.Row(f)
		text := row.Service
		if row.Licence != "" {
			text += ", " + row.Licence
		}
		if list := slices.Concat(row.Parts, row.Tools); len(list) > 0 {
			text += ": " + strings.Join(list, ", ")
		}
		out.Parts = append(out.Parts, crewLine{f.Title(), "/crew/parts/" + f.String(), strings.TrimPrefix(text, ": ")})
	}
	b.show(w, r, http.StatusOK, page{title: "Techs and parts", class: "crew", tab: "route", parts: []part{{id: "crew", still: true, data: dataOf(out)}}})
}

// techForm is a tech as the form has it.
type techForm struct {
	New              bool
	ID, Name         string
	Start, End, Zone string
	Shift, Van, To   string
	Mechanic         bool
	Electrician      bool
	Fahrenheit       bool
	Language         string
	Languages        []string
	Version          int
	Who, Why         string
	Problems         []string
	Post, Remove     string
}

func (b *Board) showTech(w http.ResponseWriter, r *http.Request, c Crew) {
	sheet, id := c.Crew(), r.PathValue("tech")
	f := techForm{New: id == "new", Version: sheet.TechsSaved.Version, Who: readerOf(r).Name, Post: r.URL.Path, Zone: b.homeZone().String(), Shift: "mon-fri 07:00-16:00"}
	if !f.New {
		i := slices.IndexFunc(sheet.Techs, func(m route.Member) bool { return m.ID == id })
		if i < 0 {
			b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such tech.")
			return
		}
		f.fill(&sheet.Techs[i])
		f.Remove = r.URL.Path + "/remove"
	}
	b.techForm(w, r, http.StatusOK, f)
}

func (b *Board) techForm(w http.ResponseWriter, r *http.Request, status int, f techForm) {
	f.Languages = b.texts.Languages()
	b.show(w, r, status, page{title: "Tech", class: "crew", tab: "route", parts: []part{{id: "crewtech", still: true, data: dataOf(f)}}})
}

func (b *Board) saveTech(w http.ResponseWriter, r *http.Request, c Crew) {
	sheet, id := c.Crew(), r.PathValue("tech")
	f := techForm{New: id == "new", Post: r.URL.Path}
	m, problems := f.read(r)
	if f.New {
		if slices.ContainsFunc(sheet.Techs, func(o route.Member) bool { return o.ID == m.ID }) || m.ID == "new" {
			problems = append(problems, fmt.Sprintf("There is a tech %q already; choose another id.", m.ID))
		}
		sheet.Techs = append(sheet.Techs, m)
	} else {
		i := slices.IndexFunc(sheet.Techs, func(o route.Member) bool { return o.ID == id })
		if i < 0 {
			b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such tech any more.")
			return
		}
		m.ID, f.ID, f.Remove = id, id, r.URL.Path+"/remove"
		sheet.Techs[i] = m
	}
	if err := route.CheckMember(&m); err != nil {
		problems = append(problems, linesOf(err)...)
	}
	if m.Language != "" && !b.texts.Has(m.Language) {
		problems = append(problems, fmt.Sprintf("There are no texts in language %q.", m.Language))
	}
	if f.Who == "" {
		problems = append(problems, "Give your name: the history says who changed what.")
	}
	if len(problems) == 0 {
		if err := c.SaveTechs(r.Context(), sheet.Techs, f.Version, f.Who, f.Why); err != nil {
			problems = linesOf(err)
		}
	}
	if len(problems) > 0 {
		f.Problems = problems
		b.techForm(w, r, http.StatusUnprocessableEntity, f)
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/crew", http.StatusSeeOther)
}

func (b *Board) removeTech(w http.ResponseWriter, r *http.Request, c Crew) {
	sheet, id := c.Crew(), r.PathValue("tech")
	var f techForm
	f.who(r)
	left := slices.DeleteFunc(slices.Clone(sheet.Techs), func(m route.Member) bool { return m.ID == id })
	err := errors.New("give your name: the history says who changed what")
	if f.Who != "" {
		err = c.SaveTechs(r.Context(), left, f.Version, f.Who, strings.TrimSpace("removed "+id+" "+f.Why))
	}
	if err != nil {
		b.fail(w, r, http.StatusConflict, "Not done", sentence(err.Error()))
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/crew", http.StatusSeeOther)
}

// linesOf are the problems of an error, a sentence each.
func linesOf(err error) []string {
	var out []string
	for line := range strings.SplitSeq(err.Error(), "\n") {
		out = append(out, sentence(line))
	}
	return out
}

// partsForm is a row of the table of parts as the form has it.
type partsForm struct {
	Title            string
	Always           bool
	Service, Licence string
	Parts, Tools     string
	Kinds            []kindForm
	Version          int
	Who, Why         string
	Problems         []string
	Post             string
}

type kindForm struct{ Name, Title, Parts, Tools string }

func (b *Board) showParts(w http.ResponseWriter, r *http.Request, c Crew) {
	sheet := c.Crew()
	f := partsForm{Version: sheet.PartsSaved.Version, Who: readerOf(r).Name, Post: r.URL.Path}
	if !f.name(r.PathValue("fault")) {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such fault.")
		return
	}
	if f.Always {
		f.fill(route.Row{Parts: sheet.Parts.Always().Parts, Tools: sheet.Parts.Always().Tools})
	} else {
		var which fault.Fault
		_ = which.UnmarshalText([]byte(r.PathValue("fault"))) // name knows it
		f.fill(sheet.Parts.Row(which))
	}
	b.partsForm(w, r, http.StatusOK, f)
}

func (b *Board) partsForm(w http.ResponseWriter, r *http.Request, status int, f partsForm) {
	b.show(w, r, status, page{title: "Parts", class: "crew", tab: "route", parts: []part{{id: "crewparts", still: true, data: dataOf(f)}}})
}

func (b *Board) saveParts(w http.ResponseWriter, r *http.Request, c Crew) {
	f := partsForm{Post: r.URL.Path}
	if !f.name(r.PathValue("fault")) {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such fault.")
		return
	}
	row := f.read(r)
	next, err := c.Crew().Parts, error(nil)
	if f.Always {
		next, err = next.WithAlways(route.Extra{Parts: row.Parts, Tools: row.Tools})
	} else {
		var which fault.Fault
		_ = which.UnmarshalText([]byte(r.PathValue("fault"))) // name knows it
		next, err = next.With(which, row)
	}
	if f.Who == "" {
		err = errors.Join(err, errors.New("give your name: the history says who changed what"))
	}
	if err == nil {
		err = c.SaveParts(r.Context(), next, f.Version, f.Who, strings.TrimSpace(f.Title+" "+f.Why))
	}
	if err != nil {
		f.Problems = linesOf(err)
		b.partsForm(w, r, http.StatusUnprocessableEntity, f)
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/crew", http.StatusSeeOther)
}

// name says which row the form is of.
func (f *partsForm) name(word string) bool {
	if word == "always" {
		f.Title, f.Always = "every round", true
		return true
	}
	var which fault.Fault
	if err := which.UnmarshalText([]byte(word)); err != nil || which == fault.Well {
		return false
	}
	f.Title = which.Title()
	return true
}

func (f *partsForm) fill(row route.Row) {
	f.Service, f.Licence, f.Parts, f.Tools = row.Service, row.Licence, strings.Join(row.Parts, "\n"), strings.Join(row.Tools, "\n")
	for k := range fleet.NumKinds {
		word := fleet.Kind(k).String()
		x := row.Kinds[word]
		f.Kinds = append(f.Kinds, kindForm{word, kindWords[k], strings.Join(x.Parts, "\n"), strings.Join(x.Tools, "\n")})
	}
}
