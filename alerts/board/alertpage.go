package board

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// causeWords name what an alert that stands for several machines is about.
var causeWords = [alerts.NumCauseKinds]string{
	alerts.MachineCause: "machine", alerts.SitePower: "site without power", alerts.Uplink: "site's uplink down",
	alerts.SharedLink: "link of several sites down",
}

// waits reports whether the alert waits for somebody to take it.
func waits(s alerts.State) bool {
	return s == alerts.Unacknowledged || s == alerts.ReturnedUnacked
}

// acted says what people have done about an alert.
func acted(r Reader, a *alerts.Alert, now time.Time, loc *time.Location) string {
	switch a.State {
	case alerts.Acknowledged:
		if a.Watched() {
			return "repaired by " + a.RepairedBy + " " + r.moment(a.RepairedAt.Time(), now, loc) + "; the sensors must show it by " + r.moment(a.WatchedUntil.Time(), now, loc)
		}
		return "taken by " + cmp.Or(a.AcknowledgedBy, "somebody") + ", " + r.moment(a.AcknowledgedAt.Time(), now, loc)
	case alerts.Shelved:
		return "shelved until " + r.moment(a.ShelvedUntil.Time(), now, loc) + ": " + a.Reason
	case alerts.Unacknowledged:
		if a.RepairedAt != 0 {
			return "repaired by " + a.RepairedBy + " " + r.moment(a.RepairedAt.Time(), now, loc) + ", but the sensors still show it; nobody has taken it"
		}
		return "nobody has taken it"
	}
	if a.Reason != "" {
		return a.State.String() + ": " + a.Reason
	}
	return a.State.String()
}

// alertsView is the alert list.
type alertsView struct {
	Groups []alertGroup
	Empty  bool
	People bool // there is a page of who is told
}

type alertGroup struct {
	Title string
	Note  string
	Rows  []alertLine
}

// alertLine is one alert of the list, or the head of its own page.
type alertLine struct {
	ID, URL, Key            string
	Machine, MachineURL     string
	Site                    string
	Title, Chance           string
	Priority, State, Why    string
	Opened, Limit, Acted    string
	Waiting, CanShelve      bool
	CanAcknowledge          bool
	CanUnshelve, CanTakeOut bool
	CanPutBack              bool
	Members                 []memberLine
}

type memberLine struct{ Machine, URL, Fault, Says string }

func (b *Board) alertLine(r Reader, now time.Time, a *alerts.Alert) alertLine {
	loc, place := time.UTC, a.Site
	if s, ok := b.fleet().Site(a.Site); ok {
		loc, place = zone(s), site{Site: s}.label()
	}
	row := alertLine{ID: a.ID, URL: alertURL(a.ID), Key: elementID(a.ID), Machine: a.Machine, Site: place,
		Title: titleOf(a), Priority: a.Priority.String(), State: a.State.String(), Why: r.sentence(b.whyNow(a, now)),
		Opened: r.moment(a.OpenedAt.Time(), now, loc), Acted: acted(r, a, now, loc), Waiting: waits(a.State)}
	if a.Machine != "" {
		row.MachineURL = machineURL(a.Machine)
		row.Chance = chance(a.Probability) + ", " + probability(a.Probability)
	} else {
		row.Title = causeWords[a.Cause]
		if a.Cause == alerts.SharedLink {
			row.Site = "several sites"
		}
		row.Machine = count(len(a.Members), "machine", "machines")
	}
	row.Limit = b.limitWords(r, a, now, loc)
	for _, v := range alerts.Possible(a.State, a.Active, alerts.Operator) {
		switch v {
		case alerts.Acknowledge:
			row.CanAcknowledge = true
		case alerts.Shelve:
			row.CanShelve = true
		case alerts.Unshelve:
			row.CanUnshelve = true
		case alerts.TakeOut:
			row.CanTakeOut = true
		case alerts.PutBack:
			row.CanPutBack = true
		}
	}
	for _, m := range a.Members {
		row.Members = append(row.Members, memberLine{m.Machine, machineURL(m.Machine), m.Fault.Title(),
			either(m.Active, "in trouble", "returned to normal")})
	}
	return row
}

func (b *Board) alertsData(_ context.Context, r Reader) (any, error) {
	open := b.desk.Alerts()
	now := b.clock.Now()
	slices.SortFunc(open, byNeed)
	groups := []alertGroup{
		{Title: "Waiting for somebody", Note: "Take an alert to say that you deal with it."},
		{Title: "Taken", Note: "Somebody deals with it; the machine returns it to normal."},
		{Title: "Repaired, and watched", Note: "The sensors must show it too; a machine they still see in trouble when the time is over asks for somebody again."},
		{Title: "Put aside", Note: "Shelved, suppressed by design, or out of service."},
	}
	for i := range open {
		g := &groups[3]
		switch s := open[i].State; {
		case waits(s):
			g = &groups[0]
		case open[i].Watched():
			g = &groups[2]
		case s == alerts.Acknowledged:
			g = &groups[1]
		}
		g.Rows = append(g.Rows, b.alertLine(r, now, &open[i]))
	}
	return alertsView{Groups: groups, Empty: len(open) == 0, People: b.team != nil}, nil
}

// byNeed puts the higher priority first, then the earlier limit, then the older.
func byNeed(a, b alerts.Alert) int {
	if (a.LimitAt == 0) != (b.LimitAt == 0) && a.Priority == b.Priority {
		return either2(a.LimitAt != 0, -1, 1)
	}
	return cmp.Or(cmp.Compare(b.Priority, a.Priority), cmp.Compare(a.LimitAt, b.LimitAt),
		cmp.Compare(a.OpenedAt, b.OpenedAt), strings.Compare(a.ID, b.ID))
}

func (b *Board) alertData(ctx context.Context, r Reader, id string) (any, error) {
	a, err := b.ledger.Alert(ctx, id)
	if errors.Is(err, ledger.ErrNone) {
		return nil, errGone
	}
	if err != nil {
		return nil, err
	}
	return b.alertLine(r, b.clock.Now(), &a), nil
}

// shelveForm offers ends that a person would choose.
type shelveForm struct {
	alertLine
	Name string
	Ends []shelveEnd
}

type shelveEnd struct{ Value, Label string }

// shelveSpans are the ends offered; alerts.MaxShelve is the longest possible.
var shelveSpans = []time.Duration{time.Hour, 4 * time.Hour, 12 * time.Hour, 24 * time.Hour, 3 * 24 * time.Hour, alerts.MaxShelve}

func (b *Board) shelveData(ctx context.Context, r Reader, id string) (any, error) {
	line, err := b.alertData(ctx, r, id)
	if err != nil {
		return nil, err
	}
	out := shelveForm{alertLine: line.(alertLine), Name: r.Name}
	for _, d := range shelveSpans {
		out.Ends = append(out.Ends, shelveEnd{d.String(), span(d)})
	}
	return out, nil
}

// verbWords tell the moves of an alert to whoever reads its history at six in the
// morning; the state it is in after each is that of the standard.
var verbWords = [alerts.NumVerbs]string{
	alerts.Raise: "trouble was seen", alerts.Acknowledge: "taken", alerts.Return: "the trouble is over", alerts.Recur: "the trouble is back",
	alerts.Rearm: "asks for somebody again", alerts.Shelve: "put aside", alerts.Unshelve: "no longer put aside",
	alerts.Suppress: "part of a larger trouble", alerts.Unsuppress: "no longer part of a larger trouble",
	alerts.TakeOut: "machine taken out of service", alerts.PutBack: "machine back in service",
}

// who made a move: a person by name, else what it came from.
func who(by alerts.Actor) string {
	switch {
	case by.Role == alerts.Model:
		return "The sensors"
	case by.Role == alerts.Clock:
		return "Time"
	case by.Role == alerts.Design:
		return "Common cause"
	}
	return cmp.Or(by.Name, by.Role.String())
}

// auditLine is one move of an alert.
type auditLine struct{ When, Who, What, Reason string }

func (b *Board) auditData(ctx context.Context, r Reader, id string) (any, error) {
	steps, err := b.ledger.Moves(ctx, id)
	if err != nil {
		return nil, err
	}
	now, loc := b.clock.Now(), time.UTC
	if a, err := b.ledger.Alert(ctx, id); err == nil {
		if s, ok := b.fleet().Site(a.Site); ok {
			loc = zone(s)
		}
	}
	var out []auditLine
	for _, s := range slices.Backward(steps) {
		row := auditLine{When: r.moment(s.At.Time(), now, loc), Who: who(s.By), What: verbWords[s.Verb], Reason: s.Reason}
		if s.Until != 0 {
			row.What += " until " + r.moment(s.Until.Time(), now, loc)
		}
		if s.Verb == alerts.Rearm {
			row.Reason = s.By.Name
		}
		if s.From != s.To {
			row.What += "; " + s.To.String()
		}
		out = append(out, row)
	}
	return out, nil
}
