package board

import (
	"cmp"
	"context"
	"math"
	"time"
)

// sitesView is the quiet fleet by site.
type sitesView struct {
	Query      string
	Sites      []siteLine
	Folded     []siteLine // in a large fleet: the sites where all is well
	FoldedSays string
	Machines   []machineLine // found by the query, or of one site
	More       int           // further machines not listed
	Total      int
	Site       string
	Note       string
}

type siteLine struct {
	ID, Name, URL, Count, Says, Product string
	Trouble                             bool
	Machines                            []machineLine // in a small fleet
}

type machineLine struct {
	ID, URL, Site, What, Product, Says string
	Limit, Ran, HotDay, Heard          string
	Trouble                            bool
}

const (
	smallFleet = 120 // machines; up to here each is shown by name under its site
	mostFound  = 200 // machines listed for a query
)

func (b *Board) sitesData(_ context.Context, r Reader) (any, error) {
	p := b.look()
	out := sitesView{Total: p.machines}
	folded, unheard := 0, 0
	for _, s := range p.sites {
		row := siteLine{ID: s.ID, Name: s.label(), URL: siteURL(s.ID), Trouble: s.trouble > 0,
			Count: count(len(s.machines), "machine", "machines"), Says: siteSays(s), Product: productSpan(r, s)}
		if p.machines <= smallFleet {
			for _, u := range s.machines {
				row.Machines = append(row.Machines, b.machineLine(r, p.now, s, u))
			}
		}
		if p.machines > smallFleet && s.trouble == 0 {
			out.Folded = append(out.Folded, row)
			folded += len(s.machines)
			unheard += s.unheard
			continue
		}
		out.Sites = append(out.Sites, row)
	}
	out.FoldedSays = count(len(out.Folded), "site", "sites") + " with " + count(folded, "machine", "machines") + ", "
	if unheard == 0 {
		out.FoldedSays += "all well"
	} else {
		out.FoldedSays += "none in trouble, " + count(unheard, "not heard yet", "not heard yet")
	}
	return out, nil
}

func siteSays(s site) string {
	well := len(s.machines) - s.trouble - s.unheard
	switch {
	case s.trouble == 0 && s.unheard == 0:
		return "all well"
	case s.trouble == 0 && well == 0:
		return "not heard yet"
	case s.trouble == 0:
		return count(s.unheard, "not heard yet", "not heard yet")
	case s.unheard > 0:
		return count(s.trouble, "in trouble", "in trouble") + ", " + count(s.unheard, "not heard yet", "not heard yet")
	}
	return count(s.trouble, "in trouble", "in trouble")
}

// productSpan is the coolest and warmest product of the site.
func productSpan(r Reader, s site) string {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, u := range s.machines {
		if u.heard && u.view.HasProduct {
			lo, hi = min(lo, r.scale(u.view.ProductTemperature)), max(hi, r.scale(u.view.ProductTemperature))
		}
	}
	switch {
	case math.IsInf(lo, 0):
		return ""
	case number(lo, 1) == number(hi, 1):
		return number(lo, 1) + " " + r.degree()
	}
	return number(lo, 1) + " to " + number(hi, 1) + " " + r.degree()
}

func (b *Board) machineLine(r Reader, now time.Time, s site, u unit) machineLine {
	row := machineLine{ID: u.ID, URL: machineURL(u.ID), Site: s.label(), Trouble: u.trouble,
		What: kindWords[u.Kind] + ", " + productWords[u.Product], Limit: r.temperature(u.Limits.Warm), Says: "well"}
	if u.Unlisted {
		row.What = "not in the fleet file"
	}
	if !u.heard {
		row.Says = "not heard yet"
		return row
	}
	if u.view.HasProduct {
		row.Product = r.temperature(u.view.ProductTemperature)
	}
	if u.view.HasHotDayLimit {
		row.HotDay = r.temperature(u.view.HotDayLimit)
	}
	if !math.IsNaN(u.view.RunFraction) {
		row.Ran = percent(u.view.RunFraction)
	}
	row.Heard = r.moment(u.view.LastHeard.Time(), now, zone(s.Site))
	if u.trouble {
		lead := u.view.OpenFindings[0]
		for _, f := range u.view.OpenFindings[1:] {
			if sooner(f, lead) {
				lead = f
			}
		}
		row.Says = cmp.Or(lead.Fault.Title(), "in trouble")
	} else if u.view.LinkLost {
		row.Says = "link lost"
	}
	return row
}
