package board

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"coilward/alerts/trial"
	"coilward/collector/fleet"
)

// Trials replays past days under other settings. Errors are shown word for word.
type Trials interface {
	// Start begins a trial, or says why not now.
	Start(o TrialOrder) (id string, err error)
	// Run returns a trial as it is now.
	Run(id string) (TrialRun, bool)
	// Runs returns the trials that are kept, newest first.
	Runs() []TrialRun
	Cancel(id string)
	// InfluxSource reports whether there is a copy of the history in InfluxDB to
	// try settings on.
	InfluxSource() bool
}

// TrialOrder is what is to be tried.
type TrialOrder struct {
	InUse    *fleet.Overrides // the settings in use when it was ordered
	State    *fleet.Overrides // the proposed settings, all of them
	Draft    string           // the change that they are
	Sites    []string         // only the machines of these
	Machines []string         // and these; both empty: all
	Days     int
	Suggest  float64 // wanted false alarms a machine and year, to look for a setting; 0: do not
	By       string
	Influx   bool // on the copy of the history in InfluxDB
}

// TrialRun is a trial as it is at a time.
type TrialRun struct {
	ID           string
	Order        TrialOrder
	Began, Ended time.Time // pipeline time; Ended zero: under way
	Done         float64   // share
	Left         time.Duration
	Canceled     bool
	Err          string
	Result       *trial.Report // nil until it ended well
}

func itoa(n int) string { return strconv.Itoa(n) }

func atoi(s string) (int, bool) { n, err := strconv.Atoi(s); return n, err == nil }

// startTrial begins a trial of a draft.
func (b *Board) startTrial(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, http.StatusBadRequest, "Not understood", "The form could not be read. Go back and try again.")
		return
	}
	d, ok := b.drafts.find(r.PathValue("draft"))
	if !ok {
		b.showDraft(w, r, http.StatusNotFound, "", nil)
		return
	}
	file, effect := b.settings.InUse()
	o := TrialOrder{InUse: effect.All, State: d.State, Draft: d.ID, Sites: r.PostForm["site"], By: readerOf(r).Name}
	var problems []string
	if o.Days, ok = atoi(strings.TrimSpace(r.PostForm.Get("days"))); !ok || o.Days < 1 || o.Days > 90 {
		problems = append(problems, "Choose between 1 and 90 days.")
	}
	for _, id := range strings.FieldsFunc(r.PostForm.Get("machines"), func(c rune) bool { return c == ',' || c == ' ' || c == '\n' || c == '\r' }) {
		if !file.Listed(id) {
			problems = append(problems, "There is no machine "+id+" in the fleet file.")
		}
		o.Machines = append(o.Machines, id)
	}
	if text := strings.TrimSpace(r.PostForm.Get("wanted")); text != "" {
		v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil || v <= 0 || v > 1000 {
			problems = append(problems, "Write the wanted false alarms a machine and year as a number above 0, or leave it empty.")
		}
		o.Suggest = v
	}
	switch r.PostForm.Get("history") {
	case "", "own":
	case "influx":
		if o.Influx = b.trials.InfluxSource(); !o.Influx {
			problems = append(problems, "There is no copy of the history in InfluxDB to try it on.")
		}
	default:
		problems = append(problems, "Choose one of the histories.")
	}
	if len(problems) > 0 {
		b.showDraft(w, r, http.StatusUnprocessableEntity, "", problems)
		return
	}
	id, err := b.trials.Start(o)
	if err != nil {
		b.showDraft(w, r, http.StatusConflict, "", textsOf(err))
		return
	}
	http.Redirect(w, r, "/trials/"+id, http.StatusSeeOther)
}

func (b *Board) cancelTrial(w http.ResponseWriter, r *http.Request) {
	b.trials.Cancel(r.PathValue("trial"))
	b.bell.Ring()
	http.Redirect(w, r, "/trials/"+r.PathValue("trial"), http.StatusSeeOther)
}

// useSuggestion makes a draft with the setting that was found.
func (b *Board) useSuggestion(w http.ResponseWriter, r *http.Request) {
	run, ok := b.trials.Run(r.PathValue("trial"))
	if !ok || run.Result == nil || run.Result.Suggestion == nil {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "This trial has no suggestion.")
		return
	}
	_, effect := b.settings.InUse()
	next, err := run.Order.State.With(suggested(run)...)
	if err != nil {
		b.fail(w, r, http.StatusConflict, "Not done", err.Error())
		return
	}
	d := b.drafts.keep(effect.Number, next)
	http.Redirect(w, r, "/settings/draft/"+d.ID, http.StatusSeeOther)
}

// suggested are the edits that the best setting of a trial comes to, at the places
// that were tried.
func suggested(run TrialRun) []fleet.Edit {
	s := run.Result.Suggestion
	best := s.Tried[s.Best]
	var scopes []fleet.Scope
	for _, id := range run.Order.Sites {
		scopes = append(scopes, fleet.Scope{Level: fleet.SiteDefault, Site: id})
	}
	for _, id := range run.Order.Machines {
		scopes = append(scopes, fleet.Scope{Level: fleet.OwnValue, Machine: id})
	}
	if scopes == nil {
		scopes = []fleet.Scope{{Level: fleet.FleetDefault}}
	}
	var edits []fleet.Edit
	for _, at := range scopes {
		if best.FalseAlarms > 0 {
			edits = append(edits, fleet.Edit{Scope: at, Key: "alerting.false_alarms", Value: strconv.FormatFloat(best.FalseAlarms, 'g', 4, 64)})
		}
		for u, d := range best.OnDelays {
			edits = append(edits, fleet.Edit{Scope: at, Key: "alerting.on_delay." + u, Value: d})
		}
	}
	return edits
}

func (b *Board) trialPage(r *http.Request) page {
	id := r.PathValue("trial")
	return page{title: "Trial " + id, class: "settings trial", tab: "settings", parts: []part{
		b.healthPart(),
		{id: "trialrun", data: about(b.trialData, id)},
		{id: "trialsave", still: true, data: about(b.trialSaveData, id)},
	}}
}

func (b *Board) trialsPage(*http.Request) page {
	return page{title: "Trials", class: "settings", tab: "settings", parts: []part{
		b.healthPart(),
		{id: "trials", data: b.trialsData},
	}}
}

// trialSaveData is the form that makes a version of what was tried.
func (b *Board) trialSaveData(_ context.Context, r Reader, id string) (any, error) {
	run, ok := b.trials.Run(id)
	if !ok {
		return nil, errGone
	}
	d, ok := b.drafts.find(run.Order.Draft)
	if !ok {
		return saveForm{Blocked: "The change that was tried is not kept any more. Make it once more to save it."}, nil
	}
	file, effect := b.settings.InUse()
	var sites []site2
	for _, s := range file.Sites {
		if len(s.Machines) > 0 {
			sites = append(sites, site2{s.ID, site{Site: s}.label(), len(s.Machines), slices.Contains(run.Order.Sites, s.ID)})
		}
	}
	return b.saveForm(r, d, sites, "", &effect), nil
}
