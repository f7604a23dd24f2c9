package board

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect/sensitivity"
)

// measuredWords say what few false alarms cost in delay.
func measuredWords(t *sensitivity.Trade) string {
	var parts []string
	for i := 0; i < len(t.Points); i += max(1, (len(t.Points)-1)/3) {
		p := t.Points[i]
		parts = append(parts, fmt.Sprintf("%s a year: %s h after the first effect of a fault (median)", number(p.FalseAlarms, 1), number(p.Delay, 1)))
	}
	return "Measured on simulated fleets: " + strings.Join(parts, "; ") + "."
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

// problemsOf takes joined errors apart.
func problemsOf(err error) (out []fleet.Problem) {
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		for _, e := range joined.Unwrap() {
			out = append(out, problemsOf(e)...)
		}
		return out
	}
	if p := new(fleet.Problem); errors.As(err, p) {
		return []fleet.Problem{*p}
	}
	return []fleet.Problem{{Text: err.Error()}}
}

// textsOf says what is wrong, without the name of a file that people never saw.
func textsOf(err error) (out []string) {
	for _, p := range problemsOf(err) {
		out = append(out, p.Text)
	}
	return out
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

// signed returns the reader with the name that a form gave, which is kept.
func signed(w http.ResponseWriter, r *http.Request) Reader {
	reader := readerOf(r)
	if given := cleanName(r.PostFormValue("name")); given != "" {
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
