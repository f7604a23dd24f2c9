package board

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"coilward/alerts/notify"
)

// Swaps is who takes a turn for somebody else. People that are one can be swapped on the
// board. The person is shown each error word for word.
type Swaps interface {
	// Swaps are those that are not over.
	Swaps() []notify.Swap
	Swap(ctx context.Context, x notify.Swap) error
	TakeBack(ctx context.Context, id, who string) error
}

// swapLine is a swap that is not over.
type swapLine struct{ Who, When, By, Back string }

// swapped reports whether an override was made on the board.
func (b *Board) swapped(rota string, o *notify.Override) bool {
	s, ok := b.team.(Swaps)
	return ok && slices.ContainsFunc(s.Swaps(), func(x notify.Swap) bool { return x.Rota == rota && x.Override == *o })
}

// swapViews fills in what was swapped in a rota, and where more is.
func (b *Board) swapViews(out *rotaView, r Reader, rota *notify.Rota, names map[string]string, now time.Time) {
	s, ok := b.team.(Swaps)
	if !ok {
		return
	}
	zone := b.zoneOf(rota)
	out.Swap = "/people/swap?rota=" + url.QueryEscape(rota.Name)
	for _, x := range s.Swaps() {
		if x.Rota != rota.Name {
			continue
		}
		out.Swaps = append(out.Swaps, swapLine{Who: cmp.Or(names[x.Person], x.Person), When: r.moment(x.From, now, zone) + " to " + r.moment(x.To, now, zone),
			By: strings.Join(slices.DeleteFunc([]string{x.Why, "by " + x.By + " " + r.moment(x.Made, now, zone)}, func(s string) bool { return s == "" }), ", "), Back: "/people/swap/" + url.PathEscape(x.ID) + "/back"})
	}
}

// swapForm is the page on which a turn is swapped.
type swapForm struct {
	Rota, Now, Zone string
	People          []personView
	From, To        string
	By              string
}

// wallForm is how a browser writes a time by the clock on the wall.
const wallForm = "2006-01-02T15:04"

// rotaNamed finds a rota that can be swapped in; without one it answers by itself.
func (b *Board) rotaNamed(w http.ResponseWriter, r *http.Request, name string) (*notify.Rota, Swaps, bool) {
	s, ok := b.team.(Swaps)
	rotas := b.team.Rotas()
	i := slices.IndexFunc(rotas, func(x notify.Rota) bool { return x.Name == name })
	if !ok || i < 0 {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no such rota.")
		return nil, nil, false
	}
	return &rotas[i], s, true
}

func (b *Board) swapPage(w http.ResponseWriter, r *http.Request) {
	rota, _, ok := b.rotaNamed(w, r, r.URL.Query().Get("rota"))
	if !ok {
		return
	}
	zone, reader := b.zoneOf(rota), readerOf(r)
	now := b.clock.Now().In(zone)
	// Tonight, as most are: from now to the next hand-over.
	to := time.Date(now.Year(), now.Month(), now.Day(), int(rota.Handover)/60, int(rota.Handover)%60, 0, 0, zone)
	if !to.After(now) {
		to = to.AddDate(0, 0, 1)
	}
	form := swapForm{Rota: rota.Name, Now: "nobody is on call", Zone: rota.TimeZone, From: now.Format(wallForm), To: to.Format(wallForm), By: reader.Name}
	names := namesOf(b.team.People())
	turns := slices.Concat(rota.People, rota.Backup)
	if chain := rota.Chain(now); len(chain) > 0 {
		form.Now = cmp.Or(names[chain[0]], chain[0]) + " is on call now"
		turns = chain
	}
	for _, id := range turns { // those of the rota first
		if n, ok := names[id]; ok {
			form.People = append(form.People, personView{ID: id, Name: n})
			delete(names, id)
		}
	}
	for _, p := range b.team.People() {
		if n, ok := names[p.ID]; ok {
			form.People = append(form.People, personView{ID: p.ID, Name: n})
		}
	}
	b.show(w, r, http.StatusOK, page{title: "Swap", class: "crew", tab: "alerts", parts: []part{
		b.healthPart(), {id: "swap", still: true, data: dataOf(form)},
	}})
}

func (b *Board) swap(w http.ResponseWriter, r *http.Request) {
	rota, swaps, ok := b.rotaNamed(w, r, r.PostFormValue("rota"))
	if !ok {
		return
	}
	x := notify.Swap{Rota: rota.Name, By: signed(w, r).Name}
	x.Person, x.Why = r.PostFormValue("person"), strings.TrimSpace(r.PostFormValue("why"))
	var err, other error
	x.From, err = time.ParseInLocation(wallForm, r.PostFormValue("from"), b.zoneOf(rota))
	x.To, other = time.ParseInLocation(wallForm, r.PostFormValue("to"), b.zoneOf(rota))
	switch {
	case err != nil || other != nil:
		b.fail(w, r, http.StatusBadRequest, "From when until when?", "Go back and give both times, such as 2026-07-14 18:00.")
		return
	case x.By == "":
		b.fail(w, r, http.StatusBadRequest, "Your name", "Go back and give your name: the record says who changed who is on call.")
		return
	case utf8.RuneCountInString(x.Why) > 200:
		b.fail(w, r, http.StatusBadRequest, "Too long", "Go back and say why in at most 200 letters.")
		return
	}
	if err := swaps.Swap(r.Context(), x); err != nil {
		b.log.Warn().Err(err).Str("by", x.By).Msg("a swap was refused")
		b.fail(w, r, http.StatusConflict, "Not done", sentence(strings.ReplaceAll(err.Error(), "\n", "; ")))
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/people", http.StatusSeeOther)
}

func (b *Board) swapBack(w http.ResponseWriter, r *http.Request) {
	swaps, ok := b.team.(Swaps)
	if !ok {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "Nothing is swapped here.")
		return
	}
	if err := swaps.TakeBack(r.Context(), r.PathValue("swap"), cmp.Or(signed(w, r).Name, "somebody at this computer")); err != nil {
		b.log.Error().Err(err).Msg("a swap could not be taken back")
		b.fail(w, r, http.StatusInternalServerError, "Not done", sentence(err.Error()))
		return
	}
	b.bell.Ring()
	http.Redirect(w, r, "/people", http.StatusSeeOther)
}
