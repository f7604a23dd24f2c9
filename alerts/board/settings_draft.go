package board

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
)

// draftView is a change before it is saved: what it changes, what speaks against
// it, and the ways to go on.
type draftView struct {
	URL, More, Export string
	Changes           []changeLine
	Advice            []adviceLine
	Problems          []string
	Pending           *versionView
	Sites             []site2
	Machines          int
	CanTry            bool
	Save              saveForm
	Influx            bool // there is a copy of the history to choose
	Days              string
	Wanted            string
	Reach             string // of the rates that were measured
}

// site2 is a site that can be chosen for a trial.
type site2 struct {
	ID, Name string
	Machines int
	Chosen   bool
}

type changeLine struct{ Place, Title, From, To string }

type adviceLine struct{ About, Text string }

// saveForm asks for what goes with a version.
type saveForm struct {
	Post    string
	Name    string // of the reader; "" is asked for
	Sites   []site2
	Zone    string
	Why     string
	Blocked string // why it cannot be saved now
}

func (b *Board) showDraft(w http.ResponseWriter, r *http.Request, status int, why string, problems []string) {
	d, ok := b.drafts.find(r.PathValue("draft"))
	if !ok {
		b.fail(w, r, http.StatusNotFound, "This change is not here any more",
			"Changes that were not saved are kept until the program is started again. Make it once more; nothing was changed.")
		return
	}
	b.show(w, r, status, page{title: "A change of the settings", class: "settings", tab: "settings", parts: []part{
		b.stillHealth(),
		{id: "draft", still: true, data: func(_ context.Context, reader Reader) (any, error) {
			return b.draftData(reader, d, why, problems), nil
		}},
	}})
}

func (b *Board) draftData(r Reader, d draft, why string, problems []string) draftView {
	file, effect := b.settings.InUse()
	out := draftView{URL: "/settings/draft/" + d.ID, More: "/settings?draft=" + d.ID, Export: "/settings/export?draft=" + d.ID,
		Changes: b.changeLines(r, file, fleet.Diff(effect.All, d.State), effect.All, d.State), Problems: problems, CanTry: b.trials != nil, Influx: b.trials != nil && b.trials.InfluxSource(), Days: "14"}
	trade, _ := b.settings.Trade()
	if f, err := file.With(d.State, nil); err == nil {
		for _, a := range settings.Advise(f, d.State, trade) {
			line := adviceLine{Text: r.sentence(a.Text)}
			switch n := len(a.Machines); {
			case n == 1:
				line.About = a.Machines[0]
			case n == file.Len():
				line.About = "All " + count(n, "machine", "machines")
			case n > 1:
				line.About = count(n, "machine", "machines") + ", among them " + a.Machines[0]
			}
			out.Advice = append(out.Advice, line)
		}
	}
	least, most := trade.Reach()
	out.Reach = fmt.Sprintf("%.2g to %.2g", least, most)
	touched := map[string]bool{}
	for _, c := range fleet.Diff(effect.All, d.State) {
		for m := range file.All {
			if c.Scope.Contains(m) {
				touched[m.Site] = true
			}
		}
	}
	for _, s := range file.Sites {
		if len(s.Machines) > 0 {
			out.Sites = append(out.Sites, site2{s.ID, site{Site: s}.label(), len(s.Machines), touched[s.ID] && len(touched) < len(file.Sites)})
		}
	}
	out.Machines = file.Len()
	if effect.Pending != nil {
		out.Pending = b.pendingView(r, &effect)
	}
	out.Save = b.saveForm(r, d, out.Sites, why, &effect)
	return out
}

func (b *Board) saveForm(r Reader, d draft, sites []site2, why string, effect *settings.Effect) saveForm {
	f := saveForm{Post: "/settings/draft/" + d.ID + "/save", Name: r.Name, Sites: sites, Zone: b.homeZone().String(), Why: why}
	switch {
	case effect.Pending != nil:
		f.Blocked = "Another change is " + effect.Phase.String() + ". Wait for it, or take it back, before the next is saved."
	case effect.Number != d.Base:
		f.Blocked = "Another version came into effect since this change was begun. Make it once more on what applies now."
	case d.State.Equal(effect.All):
		f.Blocked = "Nothing is changed yet."
	}
	return f
}

// changeLines put differences in words. Where they are between two settings that
// are given, a value that is not set is told as what is inherited.
func (b *Board) changeLines(r Reader, file *fleet.Fleet, ds []fleet.Difference, between ...*fleet.Overrides) []changeLine {
	var out []changeLine
	var laid [2]*fleet.Fleet
	for i, state := range between {
		if f, err := file.With(state, nil); err == nil {
			laid[i] = f
		}
	}
	words := func(row *fleet.Setting, value string, scope fleet.Scope, side int) string {
		if value != "" {
			return r.settingWords(row, value)
		}
		if laid[side] == nil {
			return "not set here"
		}
		given, of := laid[side].Inherited(between[side], scope, row), row
		if m, ok := file.Machine(scope.Machine); ok {
			of = row.For(m.Product)
		}
		if given.Inherited == "" {
			trade, raiseAt := b.settings.Trade()
			given.Inherited = settings.BuiltIn(of, trade, raiseAt)
		}
		return r.settingWords(row, given.Inherited) + " (" + given.From.String() + ")"
	}
	for _, d := range ds {
		if row, ok := fleet.SettingByKey(d.Key); ok {
			out = append(out, changeLine{b.scopeTitle(file, d.Scope), row.Title, words(row, d.From, d.Scope, 0), words(row, d.To, d.Scope, 1)})
		}
	}
	return out
}

// settingWords writes a value with its unit.
func (r Reader) settingWords(row *fleet.Setting, value string) string {
	text := r.shown(row, value)
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return text // "none" has no unit
	}
	if unit := r.settingUnit(row); unit == "°C" || unit == "°F" || unit == "K" {
		text = strconv.FormatFloat(roundTo(v, 100), 'g', -1, 64) // what was typed in the other unit has many digits
		text = strings.Replace(text, "-", minus, 1) + nb + unit
	} else if unit != "" {
		text += " " + unit
	}
	return text
}

// saveDraft makes a version of a draft.
func (b *Board) saveDraft(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	reader := signed(w, r)
	why := strings.TrimSpace(r.PostForm.Get("why"))
	d, ok := b.drafts.find(r.PathValue("draft"))
	if !ok {
		b.showDraft(w, r, http.StatusNotFound, why, nil)
		return
	}
	c := settings.Change{Who: reader.Name, Why: why, Base: d.Base, State: d.State}
	var err error
	switch r.PostForm.Get("when") {
	case "at":
		if c.ApplyAt, err = b.siteTime(r.PostForm.Get("at")); err != nil || c.ApplyAt.IsZero() {
			b.showDraft(w, r, http.StatusUnprocessableEntity, why, []string{"Choose the day and the time from which it applies."})
			return
		}
	case "pilot", "ask":
		c.Pilot, c.Ask = r.PostForm.Get("pilot"), r.PostForm.Get("when") == "ask"
	}
	v, err := b.settings.Save(r.Context(), c)
	if err != nil {
		b.log.Warn().Err(err).Msg("settings were not saved")
		b.showDraft(w, r, http.StatusConflict, why, textsOf(err))
		return
	}
	b.log.Info().Int("version", v.Number).Str("by", v.Who).Msg("settings saved at the board")
	b.bell.Ring()
	http.Redirect(w, r, "/settings/versions", http.StatusSeeOther)
}

// versionsView is the log.
type versionsView struct {
	Versions []versionView
	Pending  *versionView
	Name     string
}

// versionView is one entry of the log.
type versionView struct {
	Number                int
	When, Who, Why, Phase string
	Stands                string // what comes of it by itself, and when
	Changes               []changeLine
	Post                  string
	CanUndo, CanConfirm   bool
	Word                  bool
}

func (b *Board) versionsPage() page {
	return page{title: "Versions of the settings", class: "settings", tab: "settings", parts: []part{
		b.stillHealth(),
		{id: "versions", still: true, data: b.versionsData},
	}}
}

func (b *Board) versionsData(ctx context.Context, r Reader) (any, error) {
	entries, err := b.settings.Entries(ctx)
	if err != nil {
		return nil, err
	}
	file, effect := b.settings.InUse()
	out := versionsView{Name: r.Name}
	if effect.Pending != nil {
		out.Pending = b.pendingView(r, &effect)
	}
	home := b.homeZone()
	for i := range entries {
		e := &entries[i]
		v := versionView{Number: e.Number, When: r.day(e.At, home), Who: e.Who, Why: e.Why, Phase: b.phaseWords(r, e, file, home),
			Changes: b.changeLines(r, file, e.Changes), Post: "/settings/versions/" + itoa(e.Number), Word: e.Phase == settings.Word}
		v.CanUndo = e.CanUndo
		v.CanConfirm = e.Phase == settings.Piloted || e.Phase == settings.Waiting
		if v.CanConfirm && out.Pending != nil {
			v.Stands = "It " + out.Pending.Phase + "."
		}
		out.Versions = append(out.Versions, v)
	}
	return out, nil
}

func (b *Board) phaseWords(r Reader, e *settings.Entry, file *fleet.Fleet, home *time.Location) string {
	switch e.Phase {
	case settings.Word:
		return "confirms version " + itoa(e.Confirms)
	case settings.Waiting:
		return "waits for " + r.day(e.ApplyAt, home)
	case settings.Piloted:
		return "tried at " + b.scopeTitle(file, fleet.Scope{Level: fleet.SiteDefault, Site: e.Pilot})
	}
	if e.Phase == settings.Replaced && e.TakenBack != 0 {
		return "taken back by version " + itoa(e.TakenBack)
	}
	if e.Undoes != 0 {
		return e.Phase.String() + ", takes back version " + itoa(e.Undoes)
	}
	return e.Phase.String()
}

// pendingView says what waits, and until when.
func (b *Board) pendingView(r Reader, e *settings.Effect) *versionView {
	home := b.homeZone()
	at := b.scopeTitle(b.fleet(), fleet.Scope{Level: fleet.SiteDefault, Site: e.Pending.Pilot})
	v := &versionView{Number: e.Pending.Number, Who: e.Pending.Who, Why: e.Pending.Why, Post: "/settings/versions/" + itoa(e.Pending.Number)}
	switch {
	case e.Phase == settings.Waiting:
		v.Phase = "applies from " + r.day(e.Until, home)
	case e.Until.IsZero():
		v.Phase = "is tried at " + at + " until somebody says that it is good for all"
	default:
		v.Phase = "is tried at " + at + " and applies everywhere from " + r.day(e.Until, home)
	}
	return v
}

// moveVersion takes a version back, or gives the word for it.
func (b *Board) moveVersion(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	reader, why := signed(w, r), strings.TrimSpace(r.PostForm.Get("why"))
	n, ok := atoi(r.PathValue("version"))
	var err error
	switch {
	case !ok:
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such version.")
		return
	case r.PathValue("move") == "undo":
		_, err = b.settings.Undo(r.Context(), n, reader.Name, why)
	case r.PathValue("move") == "confirm":
		_, err = b.settings.Confirm(r.Context(), n, reader.Name, why)
	default:
		b.fail(w, r, http.StatusNotFound, "Nothing here", "A version can be taken back or confirmed.")
		return
	}
	if err != nil {
		b.log.Warn().Err(err).Int("version", n).Msg("a version was not moved")
		b.fail(w, r, http.StatusConflict, "Not done", err.Error())
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/settings/versions", http.StatusSeeOther)
}
