package route

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/detect/fault"
)

// Geo returns the place as a geo URI (RFC 5870), to six decimals, 0.1 m.
func (p Point) Geo() string {
	f := func(x float64) string {
		s := strings.TrimRight(strconv.FormatFloat(x, 'f', 6, 64), "0")
		s = strings.TrimSuffix(s, ".")
		if s == "-0" {
			s = "0"
		}
		return s
	}
	return "geo:" + f(p.Latitude) + "," + f(p.Longitude)
}

// TextOptions say how a plan is written out.
type TextOptions struct {
	// Link returns the page of a stop; nil or "": no link.
	Link func(stopID string) string
	// Imperial writes miles and °F.
	Imperial bool
}

// Text writes the route as plain text for a phone message, each stop in its
// own local time.
func (r *Route) Text(o TextOptions) string {
	var b strings.Builder
	if len(r.Visits) == 0 {
		return "No stops for you.\n"
	}
	plural := "s"
	if len(r.Visits) == 1 {
		plural = ""
	}
	fmt.Fprintf(&b, "%d stop%s, %s, %s driving.\n", len(r.Visits), plural, Length(r.Metres, o.Imperial), short(r.Drive))
	write := func(what string, items []Item) {
		if len(items) == 0 {
			return
		}
		words := make([]string, len(items))
		for i, it := range items {
			words[i] = it.Name
			if it.Count > 1 {
				words[i] = fmt.Sprintf("%d × %s", it.Count, it.Name)
			}
		}
		fmt.Fprintf(&b, "%s: %s\n", what, strings.Join(words, ", "))
	}
	write("Load", r.Load.Parts)
	write("Check in the van", r.Load.Check)
	if len(r.Load.Tools) > 0 {
		fmt.Fprintf(&b, "Tools: %s\n", strings.Join(r.Load.Tools, ", "))
	}
	for i := range r.Visits {
		v := &r.Visits[i]
		zone := v.Stop.Location
		if zone == nil {
			zone = time.UTC
		}
		name := v.Stop.Name
		if name == "" {
			name = v.Stop.ID
		}
		fmt.Fprintf(&b, "\n%d. %s\n", i+1, name)
		fmt.Fprintf(&b, "   there about %s", v.Arrive.In(zone).Format("Mon 15:04 MST"))
		if v.Begin.Sub(v.Arrive) >= time.Minute {
			fmt.Fprintf(&b, ", opens %s", v.Begin.In(zone).Format("15:04"))
		}
		b.WriteByte('\n')
		switch {
		case v.Late():
			fmt.Fprintf(&b, "   TOO LATE for %s: product may be lost, check it before anything is sold\n", v.LatestUseful.In(zone).Format("Mon 15:04"))
		case !v.LatestUseful.IsZero():
			fmt.Fprintf(&b, "   arrive by %s, product leaves its limit from then on\n", v.LatestUseful.In(zone).Format("Mon 15:04"))
		case v.OnTheWay:
			b.WriteString("   on your way, can wait\n")
		}
		for _, j := range v.Stop.Jobs {
			fmt.Fprintf(&b, "   %s: %s", j.Title(), j.Fault.Title())
			if j.Probability > 0 {
				fmt.Fprintf(&b, " (%.0f %%)", 100*j.Probability)
			}
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "   %s\n", v.Stop.Place.Geo())
		if o.Link != nil {
			if link := o.Link(v.Stop.ID); link != "" {
				fmt.Fprintf(&b, "   %s\n", link)
			}
		}
	}
	b.WriteString("\nCautions\n")
	for _, c := range r.Cautions(o.Imperial) {
		fmt.Fprintf(&b, "- %s\n", c)
	}
	return b.String()
}

// Length writes a distance in kilometres or miles.
func Length(metres float64, imperial bool) string {
	if imperial {
		return fmt.Sprintf("%.0f mi", metres/1609.344) // exact, international mile
	}
	return fmt.Sprintf("%.0f km", metres/1000)
}

// Cautions are those that the faults and refrigerants on the route call for, the
// gravest first, each once.
func (r *Route) Cautions(imperial bool) []string {
	var lines [fault.NumCautions][]string
	for i := range r.Visits {
		for _, j := range r.Visits[i].Stop.Jobs {
			for _, c := range fault.Cautions(j.Refrigerant, j.TCS, j.Fault) {
				if text := c.Text(j.Refrigerant); !slices.Contains(lines[c], text) {
					lines[c] = append(lines[c], text)
				}
			}
		}
	}
	out := slices.Concat(lines[:]...)
	if imperial {
		for i := range out {
			out[i] = strings.ReplaceAll(out[i], "100 °C", "212 °F")
		}
	}
	return out
}

// short writes a duration in hours and minutes.
func short(d time.Duration) string {
	m := int(d.Round(time.Minute) / time.Minute)
	if m < 60 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}
