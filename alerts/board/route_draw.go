package board

import (
	"math"
	"strconv"
	"time"

	"coilward/alerts/route"
)

// letter names the tech at a place of the roster: A, B, … Z, A2.
func letter(i int) string {
	s := string(rune('A' + i%26))
	if i >= 26 {
		s += strconv.Itoa(i/26 + 1)
	}
	return s
}

// letter0 counts from one.
func letter0(i int) string { return strconv.Itoa(i + 1) }

// routeReach is how far ahead the routes' ruler looks: a shift and the way home.
const routeReach = 12 * time.Hour

// routeTicks are the marks of the routes' ruler.
func routeTicks() []tick {
	var out []tick
	for h := 0; h <= 12; h++ {
		t := tick{X: per(float64(h) / 12), Top: "27", Anchor: "middle"}
		switch {
		case h == 0:
			t.Top, t.Label, t.Anchor = "18", "now", "start"
		case h == 12:
			t.Top, t.Label, t.Anchor = "18", "12 h", "end"
		case h%3 == 0:
			t.Top, t.Label = "18", strconv.Itoa(h)+" h"
		}
		out = append(out, t)
	}
	return out
}

// routeBar is a stop on the routes' ruler; in per cent of the width.
type routeBar struct {
	DriveX, DriveW string
	WorkX, WorkW   string
	Middle         string
	Number         string
	Latest         string // latest useful arrival; "" none within the reach
	Late           bool
}

func barsOf(r *route.Route, told route.Standing, now time.Time) []routeBar {
	share := func(t time.Time) float64 { return min(1, max(0, float64(t.Sub(now))/float64(routeReach))) }
	var out []routeBar
	if told.Arrived && told.Until.After(now) {
		out = append(out, routeBar{DriveX: per(0), DriveW: per(0), WorkX: per(0), WorkW: per(share(told.Until))})
	}
	for i := range r.Visits {
		v := &r.Visits[i]
		set, begin, leave := share(v.Arrive.Add(-v.Drive)), share(v.Begin), share(v.Leave)
		if begin >= 1 {
			break
		}
		b := routeBar{DriveX: per(set), DriveW: per(share(v.Arrive) - set), WorkX: per(begin), WorkW: per(leave - begin), Middle: per((begin + leave) / 2), Late: v.Late()}
		b.Number = letter0(i)
		if l := v.LatestUseful; !l.IsZero() && !l.Before(now) && l.Sub(now) <= routeReach {
			b.Latest = per(share(l))
		}
		out = append(out, b)
	}
	return out
}

// routeMap is the routes drawn from coordinates, north up.
type routeMap struct {
	Width, Height int
	Lines         []mapLine
	Marks         []mapMark
	Scale         string // length of the bar
	ScaleX        string
	Label         string // for who cannot see it
}

type mapLine struct{ Points, Class string }

type mapMark struct {
	X, Y, TextX, TextY string
	Text, Class        string
	Name               string
}

// mapOf lays the day out. Longitude is shortened by the cosine of the middle
// latitude (equirectangular projection): right to a per cent over a region.
func mapOf(day *route.Day, miles bool) routeMap {
	const width, margin = 640.0, 34.0
	var all []route.Point
	for i := range day.Roster.Techs {
		all = append(all, day.Roster.Techs[i].Home())
	}
	if day.Plan != nil {
		for _, r := range day.Plan.Routes {
			all = append(all, r.Tech.Start)
			for _, v := range r.Visits {
				all = append(all, v.Stop.Place)
			}
		}
	}
	for _, l := range day.LeftOut {
		if l.Stop.Place != (route.Point{}) {
			all = append(all, l.Stop.Place)
		}
	}
	if len(all) < 2 {
		return routeMap{}
	}
	lo, hi := all[0], all[0]
	for _, p := range all {
		lo.Latitude, lo.Longitude = min(lo.Latitude, p.Latitude), min(lo.Longitude, p.Longitude)
		hi.Latitude, hi.Longitude = max(hi.Latitude, p.Latitude), max(hi.Longitude, p.Longitude)
	}
	shrink := math.Cos((lo.Latitude + hi.Latitude) / 2 * math.Pi / 180)
	w, h := max((hi.Longitude-lo.Longitude)*shrink, 1e-4), max(hi.Latitude-lo.Latitude, 1e-4)
	unit := min((width-2*margin)/w, (520-2*margin)/h) // pixels a degree of latitude
	height := max(200, h*unit+2*margin)
	x := func(p route.Point) float64 {
		return width/2 + (p.Longitude-(lo.Longitude+hi.Longitude)/2)*shrink*unit
	}
	y := func(p route.Point) float64 { return height/2 - (p.Latitude-(lo.Latitude+hi.Latitude)/2)*unit }
	f := func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
	out := routeMap{Width: int(width), Height: int(math.Ceil(height))}
	mark := func(p route.Point, text, class, name string) {
		out.Marks = append(out.Marks, mapMark{X: f(x(p)), Y: f(y(p)), TextX: f(x(p)), TextY: f(y(p) + 4), Text: text, Class: class, Name: name})
	}
	for _, l := range day.LeftOut {
		if l.Stop.Place != (route.Point{}) {
			mark(l.Stop.Place, "", "left-out", l.Stop.Name+", nobody drives there")
		}
	}
	for i := range day.Roster.Techs {
		m := &day.Roster.Techs[i]
		mark(m.Home(), letter(i), "home", m.Name+" starts here")
		r, ok := day.Route(m.ID)
		if !ok || len(r.Visits) == 0 {
			continue
		}
		points := f(x(r.Tech.Start)) + "," + f(y(r.Tech.Start))
		for n, v := range r.Visits {
			points += " " + f(x(v.Stop.Place)) + "," + f(y(v.Stop.Place))
			mark(v.Stop.Place, letter(i)+letter0(n), either(v.Late(), "stop late", "stop"), v.Stop.Name)
		}
		back := points
		if !r.Tech.OpenEnd {
			last := r.Visits[len(r.Visits)-1].Stop.Place
			back = f(x(last)) + "," + f(y(last)) + " " + f(x(r.Tech.End)) + "," + f(y(r.Tech.End))
			out.Lines = append(out.Lines, mapLine{back, "back"})
		}
		out.Lines = append(out.Lines, mapLine{points, "way way" + strconv.Itoa(i%4)})
	}
	measure, name := 360/(2*math.Pi*6371.0088), " km" // degrees of latitude
	if miles {
		measure, name = measure*1.609344, " mi"
	}
	for _, n := range []float64{100, 50, 20, 10, 5, 2, 1, 0.5, 0.2} {
		if l := n * measure * unit; l <= width/4 {
			out.ScaleX, out.Scale = f(margin+l), strconv.FormatFloat(n, 'f', -1, 64)+name
			break
		}
	}
	out.Label = "Map of the routes, north up: " + count(len(out.Marks), "place", "places")
	return out
}
