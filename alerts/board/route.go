package board

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/route"
)

// Routes is who drives where.
type Routes interface {
	Day() *route.Day
	// Report keeps what a tech says about a stop, and when it was so: later than
	// that where there was no connection. The person is shown the error word for
	// word.
	Report(ctx context.Context, tech, stop string, step route.Step, at time.Time, by string) error
}

// noRoutes stands where nothing is planned.
type noRoutes struct{}

func (noRoutes) Day() *route.Day { return &route.Day{Roster: &route.Roster{}} }

func (noRoutes) Report(context.Context, string, string, route.Step, time.Time, string) error {
	return errors.New("no routes are planned here: name techs in the configuration")
}

// routeRoutes are the paths of the route pages.
func (b *Board) routeRoutes(mux *http.ServeMux, screen func(string, func(*http.Request) page)) {
	screen("/route", b.routePage)
	screen("/route/{tech}", b.techPage)
	mux.HandleFunc("GET /route/{tech}/text", b.routeText)
	mux.HandleFunc("POST /route/{tech}/{stop}/{step}", b.report)
	b.crewRoutes(mux)
}

func (b *Board) routePage(*http.Request) page {
	return page{title: "Route", class: "route", tab: "route", parts: []part{
		b.healthPart(),
		{id: "dispatch", data: b.dispatchData, fallible: true},
	}}
}

func (b *Board) techPage(r *http.Request) page {
	tech := r.PathValue("tech")
	return page{title: "Route of " + tech, class: "tech", tab: "route", parts: []part{
		b.healthPart(),
		{id: "myroute", data: about(b.techData, tech)},
	}}
}

// routeText is the route as the message has it.
func (b *Board) routeText(w http.ResponseWriter, r *http.Request) {
	day := b.routesOf.Day()
	m, ok := day.Member(r.PathValue("tech"))
	if !ok {
		http.Error(w, "There is no such tech.", http.StatusNotFound)
		return
	}
	text := m.Name + " is off duty.\n"
	if planned, on := day.Route(m.ID); on {
		text = b.writes.RouteText(b.tech(m), planned, day.At, nil)
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write([]byte(text))
}

// report takes a tech's step at a stop.
func (b *Board) report(w http.ResponseWriter, r *http.Request) {
	tech, stop, step := r.PathValue("tech"), r.PathValue("stop"), route.Step(r.PathValue("step"))
	m, ok := b.routesOf.Day().Member(tech)
	if !ok {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such tech.")
		return
	}
	who := readerOf(r).Name
	if who == "" {
		who = m.Name
	}
	if err := b.routesOf.Report(r.Context(), tech, stop, step, b.clock.Now(), who); err != nil {
		b.log.Warn().Err(err).Str("tech", tech).Str("stop", stop).Str("step", string(step)).Msg("a report was refused")
		b.fail(w, r, http.StatusConflict, "Not done", err.Error())
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, techURL(tech), http.StatusSeeOther)
}

func techURL(tech string) string { return "/route/" + url.PathEscape(tech) }

// dispatchView is every tech's day.
type dispatchView struct {
	None    bool // nobody to send
	Edit    bool // techs and parts can be edited here
	Made    string
	Problem string
	Travel  string // what of the travel times is not as it should be
	Techs   []techView
	Out     []outView
	Map     routeMap
	Ticks   []tick
	Reach   string
}

// outView is a stop nobody drives to.
type outView struct {
	Name, URL, Reason string
	Jobs              []jobView
}

func (b *Board) dispatchData(_ context.Context, r Reader) (any, error) {
	day, now := b.routesOf.Day(), b.clock.Now()
	out := dispatchView{None: len(day.Roster.Techs) == 0, Problem: day.Problem, Reach: count(int(routeReach/time.Hour), "hour", "hours")}
	_, out.Edit = b.routesOf.(Crew)
	if day.Plan != nil {
		out.Made, out.Travel = r.moment(day.At, now, b.homeZone()), day.Plan.Note
	}
	out.Ticks = routeTicks()
	for i := range day.Roster.Techs {
		out.Techs = append(out.Techs, b.techView(r, now, day, i))
	}
	for _, l := range day.LeftOut {
		out.Out = append(out.Out, outView{Name: l.Stop.Name, URL: siteURL(l.Stop.ID), Reason: l.Reason, Jobs: b.jobViews(r, l.Stop)})
	}
	out.Map = mapOf(day, r.Fahrenheit)
	return out, nil
}

func (b *Board) techData(_ context.Context, r Reader, tech string) (any, error) {
	day, now := b.routesOf.Day(), b.clock.Now()
	for i := range day.Roster.Techs {
		if day.Roster.Techs[i].ID == tech {
			return b.techView(r, now, day, i), nil
		}
	}
	return nil, errGone
}

// techView is one tech's route as the pages show it.
type techView struct {
	ID, Name, URL, Text string
	Letter              string // on the map, before the number of a stop
	Off                 string // why there is no route; "" on duty
	Shift               string
	Says                string // what was reported last, or what is taken for granted
	Unheard             bool   // nobody has heard of them, and somebody should call
	Sum                 string // "3 stops, 24 km, 50 min driving, back about 14:10"
	Overtime            string
	Load, Check, Tools  []string
	Cautions            []string
	Now                 *stopView // driven to or worked at
	Stops               []stopView
	Done                []string
	Bars                []routeBar
}

// stopView is one stop.
type stopView struct {
	Number        string
	ID, Name, URL string
	Arrive, Opens string
	Latest        string
	Late          bool
	Can           string // why it can wait
	Drive         string
	Work          string
	Geo           template.URL // html/template knows neither geo nor tel
	Address       string
	Contact       string
	Phone         template.URL
	Note          string
	Jobs          []jobView
	Step          string // the step that comes next: driving, arrived, done
	Press         string // the words on the button
	Say           string // where the tech is with it
	Post          string
	Page          string // the tech's own page of the stop; "" none
	First         bool
}

// jobView is one machine at a stop.
type jobView struct{ Machine, URL, Cause, Chance, Value string }

func (b *Board) jobViews(r Reader, s *route.Stop) []jobView {
	var out []jobView
	for _, j := range s.Jobs {
		v := jobView{Machine: j.Title(), URL: machineURL(j.Machine), Cause: j.Fault.Title()}
		if j.Probability > 0 {
			v.Chance = chance(j.Probability) + ", " + probability(j.Probability)
		}
		if m, ok := b.fleet().Machine(j.Machine); ok && j.More == 0 && m.LoadValue > 0 {
			v.Value = money(b.money(), m.LoadValue) + " of " + productWords[m.Product]
		}
		out = append(out, v)
	}
	return out
}

func (b *Board) techView(r Reader, now time.Time, day *route.Day, i int) techView {
	m := &day.Roster.Techs[i]
	zone := m.Location()
	out := techView{ID: m.ID, Name: m.Name, URL: techURL(m.ID), Text: techURL(m.ID) + "/text", Letter: letter(i)}
	duty, on := m.Duty(now)
	planned, ok := day.Route(m.ID)
	if !on || !ok {
		out.Off = either(on, "not planned yet", "off duty for the next day")
		return out
	}
	out.Shift = r.moment(duty.Open, now, zone) + " to " + r.hour(duty.Close.In(zone))
	told := day.Told[m.ID]
	if !told.Shift.Equal(duty.Open) {
		told = route.Standing{}
	}
	b.standing(&out, r, now, m, told, zone)
	if says := unheard(r, now, day.Legs[m.ID], zone); says != "" && told.Stop == "" {
		out.Says, out.Unheard = says, day.Legs[m.ID].Silence(now) == route.Unheard
	}
	for n := range planned.Visits {
		v := b.stopView(r, now, m, planned, n, told)
		out.Stops = append(out.Stops, v)
	}
	if len(planned.Visits) > 0 {
		out.Sum = count(len(planned.Visits), "stop", "stops") + ", " + length(r, planned.Metres) + ", " + span(planned.Drive) + " driving, back about " + r.moment(planned.Back, now, zone)
		if planned.Overtime >= time.Minute {
			out.Overtime = span(planned.Overtime) + " past the end of the shift"
		}
	}
	if all := b.withHere(planned, told); len(all.Visits) > 0 {
		out.Cautions = all.Cautions(r.Fahrenheit)
	}
	out.Load, out.Check, out.Tools = items(planned.Load.Parts), items(planned.Load.Check), planned.Load.Tools
	out.Bars = barsOf(planned, told, now)
	return out
}

// unheard says what is taken for granted of a tech who reports nothing.
func unheard(r Reader, now time.Time, leg route.Leg, zone *time.Location) string {
	at := func(t time.Time) string { return r.moment(t, now, zone) }
	asked := ""
	if !leg.Asked.IsZero() {
		asked = ", asked " + at(leg.Asked)
	}
	switch leg.Silence(now) {
	case route.OnTheWay:
		return "nothing reported; taken to be on the way to " + leg.Name + " since " + at(leg.Leave)
	case route.Overdue:
		return "nothing reported; should be at " + leg.Name + " since " + at(leg.Arrive) + asked
	case route.Unheard:
		return "not heard of since " + at(leg.Leave) + asked + ": call them. " + leg.Name + " may be planned for others"
	}
	return ""
}

// withHere is the route and, before it, the stop that is worked at: its cautions
// count while the tech is there.
func (b *Board) withHere(planned *route.Route, told route.Standing) *route.Route {
	if !told.Arrived {
		return planned
	}
	here := &route.Stop{ID: told.Stop}
	for _, a := range b.desk.Alerts() {
		if !slices.Contains(told.Alerts, a.ID) {
			continue
		}
		for _, member := range a.Members {
			j := route.Job{Machine: member.Machine, Fault: a.Fault}
			if m, ok := b.fleet().Machine(member.Machine); ok {
				j.Refrigerant, j.TCS = m.Refrigerant, alerts.HasFoodClock(m.Product)
			}
			here.Jobs = append(here.Jobs, j)
		}
	}
	return &route.Route{Visits: append([]route.Visit{{Stop: here}}, planned.Visits...)}
}

// standing fills in what was reported.
func (b *Board) standing(out *techView, r Reader, now time.Time, m *route.Member, told route.Standing, zone *time.Location) {
	for _, f := range told.Done {
		out.Done = append(out.Done, f.Name+", "+r.moment(f.At, now, zone))
	}
	switch {
	case told.Stop == "" && len(told.Done) == 0:
		out.Says = "nothing reported yet"
	case told.Stop == "":
		out.Says = "finished at " + told.Done[len(told.Done)-1].Name + " " + r.moment(told.Since, now, zone)
	case !told.Arrived:
		out.Says = "driving to " + told.Name + " since " + r.moment(told.Since, now, zone)
	default:
		out.Says = "at " + told.Name + " since " + r.moment(told.Since, now, zone)
		here := stopView{ID: told.Stop, Name: told.Name, URL: siteURL(told.Stop), Geo: template.URL(told.Place.Geo()), Step: string(route.Done), Press: "Done",
			Page: b.stopPath(m, told.Stop, now), Say: m.Name + " is there since " + r.moment(told.Since, now, zone), Post: techURL(out.ID) + "/" + url.PathEscape(told.Stop) + "/done", First: true}
		b.atSite(&here)
		for _, a := range b.desk.Alerts() {
			for _, id := range told.Alerts {
				if a.ID == id && a.Machine != "" {
					here.Jobs = append(here.Jobs, jobView{Machine: a.Machine, URL: machineURL(a.Machine), Cause: a.Fault.Title(), Chance: chance(a.Probability) + ", " + probability(a.Probability)})
				}
			}
		}
		out.Now = &here
	}
}

func (b *Board) stopView(r Reader, now time.Time, m *route.Member, planned *route.Route, n int, told route.Standing) stopView {
	v := &planned.Visits[n]
	s := v.Stop
	zone := s.Location
	if zone == nil {
		zone = time.UTC
	}
	out := stopView{Number: letter0(n), ID: s.ID, Name: s.Name, URL: siteURL(s.ID), Arrive: r.moment(v.Arrive, now, zone), Geo: template.URL(s.Place.Geo()),
		Drive: span(v.Drive) + ", " + length(r, v.Metres), Work: span(v.Leave.Sub(v.Begin)), Jobs: b.jobViews(r, s), Late: v.Late(), First: n == 0 && !told.Arrived}
	if v.Begin.Sub(v.Arrive) >= time.Minute {
		out.Opens = "opens " + r.moment(v.Begin, now, zone)
	}
	switch {
	case v.LatestUseful.IsZero() && v.OnTheWay:
		out.Can = "on the way, can wait"
	case v.LatestUseful.IsZero():
		out.Can = "no product in danger yet"
	default:
		out.Latest = r.moment(v.LatestUseful, now, zone)
	}
	b.atSite(&out)
	out.Page = b.stopPath(m, s.ID, now)
	out.Step, out.Press = string(route.Driving), "Driving to"
	if told.Stop == s.ID && !told.Arrived {
		out.Step, out.Press, out.Say = string(route.Arrived), "Arrived", m.Name+" is driving there since "+r.moment(told.Since, now, zone)
	}
	if told.Arrived {
		out.Step = "" // first report the stop that is worked at
	}
	out.Post = techURL(m.ID) + "/" + url.PathEscape(s.ID) + "/" + out.Step
	return out
}

// atSite fills in how to get in.
func (b *Board) atSite(out *stopView) {
	s, ok := b.fleet().Site(out.ID)
	if !ok {
		return
	}
	out.Address, out.Contact, out.Note = s.Address, s.Contact.Name, s.Contact.Note
	digits := strings.Map(func(c rune) rune {
		if c >= '0' && c <= '9' || c == '+' {
			return c
		}
		return -1
	}, s.Contact.Phone)
	if digits != "" {
		out.Phone = template.URL("tel:" + digits) // nothing but digits and +
	}
}

func items(list []route.Item) []string {
	var out []string
	for _, it := range list {
		out = append(out, either(it.Count > 1, letter0(it.Count-1)+" × ", "")+it.Name)
	}
	return out
}

func length(r Reader, metres float64) string { return route.Length(metres, r.Fahrenheit) }
