package board

import (
	"context"
	"net/http"
	"time"
)

// routes is every path of the board.
func (b *Board) routes(mount map[string]http.Handler) http.Handler {
	mux := http.NewServeMux()
	screen := func(pattern string, make func(*http.Request) page) {
		mux.HandleFunc("GET "+pattern, func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, make(r)) })
		mux.HandleFunc("GET /live"+pattern, func(w http.ResponseWriter, r *http.Request) { b.stream(w, r, make(r)) })
	}
	screen("/{$}", b.fleetPage)
	screen("/sites/{site}", b.sitePage)
	screen("/machines/{machine}", b.machinePage)
	screen("/hot-day", b.hotDayPage)
	screen("/alerts", b.alertsPage)
	screen("/alerts/{alert}", b.alertPage)
	b.routeRoutes(mux, screen)
	b.settingsRoutes(mux, screen)
	b.peopleRoutes(mux)
	b.stopRoutes(mux)
	mux.HandleFunc("GET /find", func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, b.findPage(r)) })
	mux.HandleFunc("GET /reader", func(w http.ResponseWriter, r *http.Request) { b.show(w, r, http.StatusOK, b.readerPage(r)) })
	mux.HandleFunc("POST /reader", b.saveReader)
	mux.HandleFunc("POST /alerts/{alert}/{move}", b.move)
	mux.HandleFunc("GET /static/{file}", b.static)
	for pattern, h := range mount {
		mux.Handle(pattern, h)
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		b.fail(w, r, http.StatusNotFound, "Nothing here", "There is no page at this address. The fleet is at the start.")
	})
	return mux
}

type data = func(context.Context, Reader) (any, error)

// about makes a part's data of something named in the address.
func about(f func(context.Context, Reader, string) (any, error), id string) data {
	return func(ctx context.Context, r Reader) (any, error) { return f(ctx, r, id) }
}

func (b *Board) clockPart() part {
	return part{id: "clock", data: b.clockData, fallible: true}
}

func (b *Board) healthPart() part {
	return part{id: "health", data: b.healthData, fallible: true}
}

func (b *Board) fleetPage(*http.Request) page {
	return page{title: "Fleet", class: "fleet", tab: "fleet", parts: []part{
		b.healthPart(),
		{id: "ruler", data: b.rulerData, fallible: true},
		{id: "sites", data: b.sitesData, fallible: true, gap: 5 * time.Second},
	}}
}

func (b *Board) sitePage(r *http.Request) page {
	id := r.PathValue("site")
	return page{title: id, class: "site", parts: []part{
		b.healthPart(),
		{id: "machines", data: about(b.siteData, id)},
	}}
}

func (b *Board) findPage(r *http.Request) page {
	return page{title: "Find", class: "site", parts: []part{
		{id: "machines", data: about(b.findData, r.URL.Query().Get("q")), still: true},
	}}
}

func (b *Board) machinePage(r *http.Request) page {
	id, asked := r.PathValue("machine"), r.URL.Query()
	q := stripsQuery{span: asked.Get("span"), until: asked.Get("until"), day: asked.Get("day")}
	still, gap := q.live()
	return page{title: id, class: "machine", parts: []part{
		b.healthPart(),
		{id: "verdict", data: about(b.verdictData, id)},
		{id: "strips", fallible: true, gap: gap, still: still,
			data: func(ctx context.Context, r Reader) (any, error) { return b.stripsData(ctx, r, id, q) }},
		{id: "timeline", data: about(b.timelineData, id), gap: 5 * time.Second},
		{id: "sensors", data: about(b.sensorsData, id)},
	}}
}

func (b *Board) alertsPage(*http.Request) page {
	return page{title: "Alerts", class: "alerts", tab: "alerts", parts: []part{
		b.healthPart(),
		{id: "alerts", data: b.alertsData},
		b.undeliveredPart(),
	}}
}

func (b *Board) alertPage(r *http.Request) page {
	id := r.PathValue("alert")
	return page{title: "Alert", class: "alert", tab: "alerts", parts: []part{
		b.healthPart(),
		{id: "alert", data: about(b.alertData, id)},
		{id: "visits", data: about(b.visitsData, id), fallible: true},
		{id: "audit", data: about(b.auditData, id), fallible: true},
		{id: "told", data: about(b.toldData, id), fallible: true},
		{id: "shelve", data: about(b.shelveData, id), still: true},
	}}
}

func (b *Board) readerPage(r *http.Request) page {
	next := localPath(r.URL.Query().Get("next"))
	return page{title: "Your name and units", class: "message", tab: "reader", parts: []part{
		{id: "reader", still: true, data: func(_ context.Context, r Reader) (any, error) {
			return readerForm{Reader: r, Next: next}, nil
		}},
	}}
}

// clockView is the pipeline's time for the head of the page.
type clockView struct {
	Now   string
	Speed string // "60" in a demo; "" at the speed of the wall
}

func (b *Board) clockData(_ context.Context, r Reader) (any, error) {
	now := b.clock.Now().In(b.homeZone())
	out := clockView{Now: now.Format("Mon 2 Jan ") + r.hour(now)}
	if s := b.clock.Speed(); s != 1 {
		out.Speed = number(s, 0)
	}
	return out, nil
}

// homeZone is the zone most sites are in: the clock in the head shows it, and
// names it where sites are in several.
func (b *Board) homeZone() *time.Location {
	home, most := time.UTC, 0
	tally := map[string]int{}
	for _, s := range b.fleet().Sites {
		z := zone(s)
		tally[z.String()]++
		if n := tally[z.String()]; n > most {
			home, most = z, n
		}
	}
	return home
}

type healthLine struct{ Part, Text, Since string }

func (b *Board) healthData(_ context.Context, r Reader) (any, error) {
	now, home := b.clock.Now(), b.homeZone()
	var out []healthLine
	for _, d := range b.health() {
		row := healthLine{Part: d.Part, Text: d.Text}
		if !d.Since.IsZero() {
			row.Since = "since " + r.moment(d.Since, now, home)
		}
		out = append(out, row)
	}
	return out, nil
}
