package board

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

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
	From                             string
	Nearer                           string
	Example                          string
	Words                            []string // to choose from; none: typed
	Wide                             bool
	Open                             bool // the advice is shown at once
	Bad                              bool
}

func (b *Board) settingsPage(r *http.Request, typed url.Values, problems []string) page {
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
func (b *Board) settingsData(r Reader, at, draftID string, typed url.Values, problems []string) (any, error) {
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
	out := settingsView{At: scope.String(), Title: b.scopeTitle(file, scope), Problems: problems}
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
		if given.Nearer > 0 {
			x.Nearer = count(given.Nearer, "machine has its own", "machines have their own")
		}
		if typed != nil {
			x.Value = typed.Get(row.Key)
			x.Bad = slices.ContainsFunc(problems, func(p string) bool { return strings.Contains(p, keyWords(row.Key)) })
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

// measuredWords say what few false alarms cost in delay.
func measuredWords(t *sensitivity.Trade) string {
	var parts []string
	for i := 0; i < len(t.Points); i += max(1, (len(t.Points)-1)/3) {
		p := t.Points[i]
		parts = append(parts, fmt.Sprintf("%s a year: %s h after the first effect of a fault (median)", number(p.FalseAlarms, 1), number(p.Delay, 1)))
	}
	return "Measured on simulated fleets: " + strings.Join(parts, "; ") + "."
}

// keyWords is the end of a key as problems name it.
func keyWords(key string) string {
	parts := strings.Split(key, ".")
	return strings.Join(parts[max(0, len(parts)-2):], ": ")
}

func settingsGroupOf(row *fleet.Setting) string {
	switch head, _, _ := strings.Cut(row.Key, "."); {
	case head == "limits":
		return "Product limits"
	case head == "opening_hours":
		return "Opening hours"
	case row.Field >= fleet.FieldOnDelay && row.Field <= fleet.FieldDeadband:
		return "Delays and deadband"
	case row.Field == fleet.FieldFalseAlarms:
		return "Sensitivity"
	}
	return "Priority and quiet hours"
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

// editSettings takes the form of one place and makes a draft of it.
func (b *Board) editSettings(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	reader := readerOf(r)
	file, effect := b.settings.InUse()
	scope, err := fleet.ParseScope(r.PostForm.Get("at"))
	if err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", err.Error())
		return
	}
	state, base := effect.All, effect.Number
	if d, ok := b.drafts.find(r.PostForm.Get("draft")); ok {
		state, base = d.State, d.Base
	}
	var edits []fleet.Edit
	for i := range fleet.Settings {
		row := &fleet.Settings[i]
		if !row.At(scope.Level) || !r.PostForm.Has(row.Key) {
			continue
		}
		was := state.Values(scope)[row.Key]
		if typed := strings.TrimSpace(r.PostForm.Get(row.Key)); typed != reader.shown(row, was) {
			edits = append(edits, fleet.Edit{Scope: scope, Key: row.Key, Value: reader.typed(row, typed)})
		}
	}
	next, err := state.With(edits...)
	if err == nil {
		err = settings.New(file, effect.All, next)
	}
	if err != nil {
		b.show(w, r, http.StatusUnprocessableEntity, b.settingsPage(r, r.PostForm, problemsOf(err)))
		return
	}
	d := b.drafts.keep(base, next)
	http.Redirect(w, r, "/settings/draft/"+d.ID, http.StatusSeeOther)
}

// problemsOf takes joined errors apart, without the name of a file that people
// never saw.
func problemsOf(err error) []string {
	var out []string
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		for _, e := range joined.Unwrap() {
			out = append(out, problemsOf(e)...)
		}
		return out
	}
	if p := new(fleet.Problem); errors.As(err, p) {
		return []string{p.Text}
	}
	return []string{err.Error()}
}

// settingUnit is the unit in which the reader sees a setting.
func (r Reader) settingUnit(row *fleet.Setting) string {
	if row.Unit == "°C" {
		return r.degree()
	}
	if row.Unit == "K" && r.Fahrenheit {
		return "°F"
	}
	return row.Unit
}

// shown writes a stored value as the reader reads it; what is neither a number of
// theirs nor a delay stays as it is.
func (r Reader) shown(row *fleet.Setting, value string) string {
	if row.Field >= fleet.FieldOnDelay && row.Field <= fleet.FieldRestockDelay {
		return delayWords(value)
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || !r.Fahrenheit {
		return value
	}
	switch row.Unit {
	case "°C":
		v = v*9/5 + 32
	case "K":
		v = v * 9 / 5
	default:
		return value
	}
	return strconv.FormatFloat(roundTo(v, 1e4), 'g', -1, 64)
}

// delayWords writes a delay with its units apart: 2 h 30 min.
func delayWords(value string) string {
	d, err := fleet.ParseDelay(value)
	if value == "" || err != nil {
		return value
	}
	var parts []string
	for _, u := range []struct {
		of   time.Duration
		name string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}} {
		if n := d / u.of; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, u.name))
			d -= n * u.of
		}
	}
	if parts == nil {
		return "0 min"
	}
	return strings.Join(parts, " ")
}

// day writes a time with its day, whatever day it is now.
func (r Reader) day(t time.Time, loc *time.Location) string {
	t = t.In(loc)
	return t.Format("Mon 2 Jan ") + r.hour(t)
}

// typed turns what the reader typed into a stored value.
func (r Reader) typed(row *fleet.Setting, value string) string {
	value = strings.ReplaceAll(value, "−", "-")
	v, err := strconv.ParseFloat(strings.Replace(value, ",", ".", 1), 64)
	if err != nil {
		return value
	}
	if r.Fahrenheit {
		switch row.Unit {
		case "°C":
			v = roundTo((v-32)*5/9, 1e4)
		case "K":
			v = roundTo(v*5/9, 1e4)
		}
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

func roundTo(v, steps float64) float64 {
	n, _ := strconv.ParseFloat(fmt.Sprintf("%.0f", v*steps), 64)
	return n / steps
}

// exportSettings hands out what is in effect as a file.
func (b *Board) exportSettings(w http.ResponseWriter, r *http.Request) {
	_, effect := b.settings.InUse()
	state := effect.All
	if d, ok := b.drafts.find(r.URL.Query().Get("draft")); ok {
		state = d.State
	}
	w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="settings.yaml"`)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(state.YAML())
}

type importView struct {
	Text     string
	Problems []string
}

func importPage(text string, problems []string) page {
	return page{title: "Settings from a file", class: "settings", tab: "settings", parts: []part{
		{id: "importsettings", still: true, data: dataOf(importView{text, problems})},
	}}
}

// importSettings makes a draft of a file's text.
func (b *Board) importSettings(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The text could not be read; it may be longer than 64 KB. Use coilward settings import for a long one.")
		return
	}
	text := r.PostForm.Get("text")
	file, effect := b.settings.InUse()
	state, err := fleet.ParseOverrides("line", []byte(text))
	if err == nil {
		err = settings.New(file, effect.All, state)
	}
	if err != nil {
		var lines []string
		for _, p := range fleet.Problems(err) {
			lines = append(lines, strings.Replace(p.Error(), "line:", "line ", 1))
		}
		if lines == nil {
			lines = problemsOf(err)
		}
		b.show(w, r, http.StatusUnprocessableEntity, importPage(text, lines))
		return
	}
	d := b.drafts.keep(effect.Number, state)
	http.Redirect(w, r, "/settings/draft/"+d.ID, http.StatusSeeOther)
}

// signed returns the reader with the name that a form gave, which is kept.
func signed(w http.ResponseWriter, r *http.Request) Reader {
	reader := readerOf(r)
	if given := cleanName(r.PostForm.Get("name")); given != "" {
		reader.Name = given
		http.SetCookie(w, reader.cookie())
	}
	return reader
}

// siteTime reads a time as a form has it, by the clock of most sites.
func (b *Board) siteTime(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	return time.ParseInLocation("2006-01-02T15:04", text, b.homeZone())
}
