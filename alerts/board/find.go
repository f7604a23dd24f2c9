package board

import (
	"context"
	"strings"
)

// siteData lists one site's machines.
func (b *Board) siteData(_ context.Context, r Reader, id string) (any, error) {
	p := b.look()
	for _, s := range p.sites {
		if s.ID != id {
			continue
		}
		out := sitesView{Site: s.label(), Total: len(s.machines), Note: count(len(s.machines), "machine", "machines") + ", " + siteSays(s) + ". Times are " + zone(s.Site).String() + "."}
		for _, u := range s.machines {
			out.Machines = append(out.Machines, b.machineLine(r, p.now, s, u))
		}
		return out, nil
	}
	return nil, errGone
}

// findData lists the machines whose ID or site holds the query.
func (b *Board) findData(_ context.Context, r Reader, query string) (any, error) {
	p := b.look()
	query = strings.TrimSpace(query)
	out := sitesView{Query: query, Total: p.machines}
	want := strings.ToLower(query)
	for _, s := range p.sites {
		all := strings.Contains(strings.ToLower(s.Name), want) || strings.Contains(strings.ToLower(s.ID), want)
		for _, u := range s.machines {
			if !all && !strings.Contains(strings.ToLower(u.ID), want) {
				continue
			}
			if len(out.Machines) == mostFound {
				out.More++
				continue
			}
			out.Machines = append(out.Machines, b.machineLine(r, p.now, s, u))
		}
	}
	out.Note = count(len(out.Machines)+out.More, "machine", "machines") + " with “" + query + "” in its name or its site's."
	return out, nil
}
