package board

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect/sensitivity"
)

// Settings is what is laid over the fleet file. Errors are shown word for word.
type Settings interface {
	// InUse returns the fleet file alone, and what is laid over it now.
	InUse() (*fleet.Fleet, settings.Effect)
	Entries(ctx context.Context) ([]settings.Entry, error)
	Save(ctx context.Context, c settings.Change) (settings.Version, error)
	Undo(ctx context.Context, version int, who, why string) (settings.Version, error)
	Confirm(ctx context.Context, version int, who, why string) (settings.Version, error)
	// Trade is what a wanted rate of false alarms costs, and the threshold without one.
	Trade() (*sensitivity.Trade, float64)
}

// draft is a change that somebody is working on.
type draft struct {
	ID    string
	Base  int // the version it is made on
	State *fleet.Overrides
}

// drafts are the changes being worked on; the oldest goes when there are too many.
type drafts struct {
	mu   sync.Mutex
	next int
	all  []draft
}

const mostDrafts = 200

func (d *drafts) keep(base int, state *fleet.Overrides) draft {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.next++
	x := draft{strconv.Itoa(d.next), base, state}
	d.all = append(d.all, x)
	if len(d.all) > mostDrafts {
		d.all = slices.Delete(d.all, 0, len(d.all)-mostDrafts)
	}
	return x
}

func (d *drafts) find(id string) (draft, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	i := slices.IndexFunc(d.all, func(x draft) bool { return x.ID == id })
	if i < 0 {
		return draft{}, false
	}
	return d.all[i], true
}

// settingsRoutes are the paths of the settings.
func (b *Board) settingsRoutes(mux *http.ServeMux, screen func(string, func(*http.Request) page)) {
	if b.settings == nil {
		return
	}
	mux.HandleFunc("GET /settings", func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, b.settingsPage(r, nil, nil)) })
	mux.HandleFunc("POST /settings", b.editSettings)
	mux.HandleFunc("GET /settings/draft/{draft}", func(w http.ResponseWriter, r *http.Request) { b.showDraft(w, r, http.StatusOK, "", nil) })
	mux.HandleFunc("POST /settings/draft/{draft}/save", b.saveDraft)
	mux.HandleFunc("GET /settings/versions", func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, b.versionsPage()) })
	mux.HandleFunc("POST /settings/versions/{version}/{move}", b.moveVersion)
	mux.HandleFunc("GET /settings/export", b.exportSettings)
	mux.HandleFunc("GET /settings/import", func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, importPage("", nil)) })
	mux.HandleFunc("POST /settings/import", b.importSettings)
	if b.trials != nil {
		screen("/trials", b.trialsPage)
		mux.HandleFunc("POST /settings/draft/{draft}/try", b.startTrial)
		screen("/trials/{trial}", b.trialPage)
		mux.HandleFunc("POST /trials/{trial}/cancel", b.cancelTrial)
		mux.HandleFunc("POST /trials/{trial}/use", b.useSuggestion)
	}
}

// stillHealth is what works only in part, on a page with a form that is not live.
func (b *Board) stillHealth() part {
	p := b.healthPart()
	p.still = true
	return p
}

// settingsView is the settings at one place.
type settingsView struct {
	At        string
	Title     string
	Places    []placeGroup
	Draft     string // being worked on; "" none
	Groups    []settingsGroup
	Problems  []string
	Pending   *versionView
	Changed   int // values that the draft changes so far
	DraftURL  string
	Untouched bool
}

// placeGroup is places where settings can be set.
type placeGroup struct {
	Name   string
	Places []place
}

type place struct {
	Name, URL, Value string
	Chosen           bool
	Set              int // values that are set there
}

type settingsGroup struct {
	Name string
	Rows []settingRow
}

// settingRow is one setting as a form has it.
type settingRow struct {
	Name, Title, Unit, Means, Advice string
	ID                               string
	Value                            string // laid over the file here, or as typed
	Inherited                        string
	InheritedWords                   string // the same, with its unit
	From                             string
	Nearer                           string
	Example                          string
	Words                            []string // to choose from; none: typed
	Wide                             bool
	Open                             bool // the advice is shown at once
	Bad                              bool
}

func (b *Board) settingsPage(r *http.Request, typed url.Values, problems []fleet.Problem) page {
	return page{title: "Settings", class: "settings", tab: "settings", parts: []part{
		b.stillHealth(),
		{id: "settings", still: true, data: func(_ context.Context, reader Reader) (any, error) {
			q := r.URL.Query()
			if typed != nil {
				q = typed
			}
			return b.settingsData(reader, q.Get("at"), q.Get("draft"), typed, problems)
		}},
	}}
}

// settingsData is the form of one place.
func (b *Board) settingsData(r Reader, at, draftID string, typed url.Values, problems []fleet.Problem) (any, error) {
	file, effect := b.settings.InUse()
	scope := fleet.Scope{Level: fleet.FleetDefault}
	if at != "" {
		s, err := fleet.ParseScope(at)
		if err != nil || s.Site != "" && !hasSite(file, s.Site) || s.Machine != "" && !file.Listed(s.Machine) {
			return nil, errGone
		}
		scope = s
	}
	state := effect.All
	out := settingsView{At: scope.String(), Title: b.scopeTitle(file, scope), Problems: r.settingProblems(problems, scope, file.Len())}
	if d, ok := b.drafts.find(draftID); ok {
		state = d.State
		out.Draft, out.DraftURL = d.ID, "/settings/draft/"+d.ID
		out.Changed = len(fleet.Diff(effect.All, state))
	}
	laid, err := file.With(state, nil)
	if err != nil {
		laid = file // a draft is checked before it is kept; the file alone is good
	}
	if effect.Pending != nil {
		out.Pending = b.pendingView(r, &effect)
	}
	out.Places = places(file, state, scope, out.Draft)
	trade, raiseAt := b.settings.Trade()
	for i := range fleet.Settings {
		row := &fleet.Settings[i]
		if !row.At(scope.Level) {
			continue
		}
		given := laid.Inherited(state, scope, row)
		of := row // a machine's own limits are advised on by its product
		if m, ok := file.Machine(scope.Machine); ok {
			of = row.For(m.Product)
		}
		x := settingRow{
			Name: row.Key, ID: elementID(row.Key), Title: row.Title, Unit: r.settingUnit(row), Means: row.Means, Advice: r.sentence(of.Advice),
			Value: r.shown(row, given.Here), Inherited: r.shown(row, given.Inherited), From: given.From.String(), Example: r.shown(row, row.Example),
		}
		if given.From.Stored {
			x.From += ", by the settings"
		} else if given.From.Level != fleet.BuiltIn {
			x.From += ", by the fleet file"
		}
		if x.Inherited == "" {
			x.Inherited = r.shown(row, settings.BuiltIn(of, trade, raiseAt))
		}
		x.InheritedWords = r.settingWords(row, cmp.Or(given.Inherited, settings.BuiltIn(of, trade, raiseAt)))
		if given.Nearer > 0 {
			x.Nearer = count(given.Nearer, "machine has its own", "machines have their own")
		}
		if typed != nil {
			x.Value = typed.Get(row.Key)
			x.Bad = x.Value != r.shown(row, given.Here) && slices.ContainsFunc(problems, func(p fleet.Problem) bool { return concerns(&p, row) })
		}
		if row.Field == fleet.FieldAtLeast || row.Field == fleet.FieldAtMost {
			x.Words = []string{"low", "medium", "high", "critical"}
		}
		if row.Field == fleet.FieldFalseAlarms {
			x.Advice += " " + measuredWords(trade)
		}
		x.Wide = strings.HasPrefix(row.Key, "opening_hours.")
		x.Open = !x.Wide || row.Key == "opening_hours.mon" // the days after it say the same
		name := settingsGroupOf(row)
		if n := len(out.Groups); n == 0 || out.Groups[n-1].Name != name {
			out.Groups = append(out.Groups, settingsGroup{Name: name})
		}
		g := &out.Groups[len(out.Groups)-1]
		g.Rows = append(g.Rows, x)
	}
	return out, nil
}

func hasSite(f *fleet.Fleet, id string) bool { _, ok := f.Site(id); return ok }

func (b *Board) scopeTitle(f *fleet.Fleet, s fleet.Scope) string {
	siteName := func(id string) string {
		if site, ok := f.Site(id); ok {
			return cmp.Or(site.Name, id)
		}
		return id
	}
	switch s.Level {
	case fleet.SiteDefault:
		return siteName(s.Site)
	case fleet.FleetKind:
		return "Every " + kindWords[s.Kind]
	case fleet.SiteKind:
		return "Every " + kindWords[s.Kind] + " at " + siteName(s.Site)
	case fleet.OwnValue:
		return s.Machine
	}
	return "The whole fleet"
}

// places are where settings can be set: the fleet, its sites, the kinds that it
// has, and the kinds and machines of the site that is looked at.
func places(f *fleet.Fleet, state *fleet.Overrides, chosen fleet.Scope, draftID string) []placeGroup {
	entry := func(s fleet.Scope, name string) place {
		q := url.Values{"at": {s.String()}}
		if draftID != "" {
			q.Set("draft", draftID)
		}
		return place{Name: name, URL: "/settings?" + q.Encode(), Value: s.String(), Chosen: s == chosen, Set: len(state.Values(s))}
	}
	kinds := func(ms []*fleet.Machine, of func(fleet.Kind) fleet.Scope) (out []place) {
		var seen [fleet.NumKinds]bool
		for _, m := range ms {
			seen[m.Kind] = true
		}
		for k, is := range seen {
			if is {
				out = append(out, entry(of(fleet.Kind(k)), kindWords[k]))
			}
		}
		return out
	}
	var all []*fleet.Machine
	for m := range f.All {
		all = append(all, m)
	}
	groups := []placeGroup{
		{"Fleet", []place{entry(fleet.Scope{Level: fleet.FleetDefault}, "The whole fleet")}},
		{"Kinds", kinds(all, func(k fleet.Kind) fleet.Scope { return fleet.Scope{Level: fleet.FleetKind, Kind: k} })},
	}
	var sites placeGroup
	sites.Name = "Sites"
	at := chosen.Site
	if m, ok := f.Machine(chosen.Machine); ok {
		at = m.Site
	}
	for _, s := range f.Sites {
		sites.Places = append(sites.Places, entry(fleet.Scope{Level: fleet.SiteDefault, Site: s.ID}, cmp.Or(s.Name, s.ID)))
	}
	groups = append(groups, sites)
	if s, ok := f.Site(at); ok {
		here := placeGroup{Name: "At " + cmp.Or(s.Name, s.ID)}
		here.Places = kinds(s.Machines, func(k fleet.Kind) fleet.Scope { return fleet.Scope{Level: fleet.SiteKind, Site: s.ID, Kind: k} })
		for _, m := range s.Machines {
			here.Places = append(here.Places, entry(fleet.Scope{Level: fleet.OwnValue, Machine: m.ID}, m.ID))
		}
		groups = append(groups, here)
	}
	return groups
}
