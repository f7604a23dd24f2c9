package board

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/notify"
	"coilward/alerts/visit"
	"coilward/collector/fleet"
)

// Options are what a board needs. Fleet, Models, History, Desk,
// Ledger and Clock must be given.
type Options struct {
	Listen string   // loopback address; default 127.0.0.1:8417
	Hosts  []string // host names besides the loopback ones that the board answers to, for a reverse proxy

	Fleet   func() *fleet.Fleet // asked at every page: a reload shows at once
	Models  Models
	History History
	Desk    Desk
	Ledger  Ledger
	Clock   Clock
	Bell    *Bell // rung by whoever changes something

	Health   func() []Degraded                         // what works only in part
	Arrival  Arrivals                                  // planned visits, and those under way
	Routes   Routes                                    // nil: no routes are planned
	Links    *notify.Links                             // sign the addresses of stops; nil: techs have no pages of their own
	Visits   Visits                                    // what techs find; nil: likewise
	Visited  func(context.Context, *visit.Visit) error // told of each visit that was closed; nil: nobody
	People   People                                    // nil: nobody is told anything
	Texts    *notify.Templates                         // of the pages that links open; nil: those that come with the program
	Settings Settings                                  // nil: there are no pages of settings
	Trials   Trials                                    // nil: settings cannot be tried
	Mount    map[string]http.Handler                   // further paths: "GET /metrics", "GET /livez"
	Refresh  time.Duration                             // wall time between two looks of a stream; default 2 s
	Streams  int                                       // most pages live at once, more are told to come back; default 200
	Currency string                                    // written before an amount where the fleet file names no currency; default $
	Version  string
	Log      zerolog.Logger
}

// Board is the screens as an http.Handler.
type Board struct {
	fleet    func() *fleet.Fleet
	models   Models
	history  History
	desk     Desk
	ledger   Ledger
	clock    Clock
	bell     *Bell
	health   func() []Degraded
	arrival  Arrivals
	routesOf Routes
	links    *notify.Links
	visits   Visits
	visited  func(context.Context, *visit.Visit) error
	visiting sync.Mutex // held from reading a visit until it is kept
	team     People
	texts    *notify.Templates
	writes   *notify.Team // on the pages that links open
	phones   map[string]*template.Template
	tests    tests
	settings Settings
	trials   Trials
	drafts   drafts
	refresh  time.Duration
	currency string
	version  string
	listen   string
	log      zerolog.Logger
	handler  http.Handler
	wall     func() time.Time // for how long a picture lasts, nothing else

	seats chan struct{} // one a live page
	done  chan struct{} // closed when the board stops: streams end
	stop  sync.Once

	mu     sync.Mutex // guards what follows
	latest *picture
}

// New checks the options and returns a board that serves once Run is called,
// or at once as a handler.
func New(o Options) (*Board, error) {
	if o.Listen == "" {
		o.Listen = "127.0.0.1:8417"
	}
	if o.Refresh <= 0 {
		o.Refresh = 2 * time.Second
	}
	if o.Streams <= 0 {
		o.Streams = 200
	}
	if o.Bell == nil {
		o.Bell = &Bell{}
	}
	if o.Currency == "" {
		o.Currency = "$"
	}
	if o.Health == nil {
		o.Health = func() []Degraded { return nil }
	}
	if o.Arrival == nil {
		o.Arrival = func(string, string) (Arrival, bool) { return Arrival{}, false }
	}
	if o.Routes == nil {
		o.Routes = noRoutes{}
	}
	if o.Fleet == nil || o.Models == nil || o.History == nil || o.Desk == nil || o.Ledger == nil || o.Clock == nil {
		return nil, errors.New("board: Fleet, Models, History, Desk, Ledger and Clock must be given")
	}
	err := loopbackOnly(o.Listen)
	if err != nil {
		return nil, err
	}
	b := &Board{
		fleet: o.Fleet, models: o.Models, history: o.History, desk: o.Desk, ledger: o.Ledger, clock: o.Clock, bell: o.Bell,
		health: o.Health, arrival: o.Arrival, routesOf: o.Routes, links: o.Links, visits: o.Visits, visited: o.Visited, refresh: o.Refresh, currency: o.Currency,
		version: o.Version, listen: o.Listen, log: o.Log, wall: time.Now,
		seats: make(chan struct{}, o.Streams), done: make(chan struct{}),
	}
	b.settings, b.trials, b.team, b.texts = o.Settings, o.Trials, o.People, o.Texts
	if b.texts == nil {
		if b.texts, err = notify.LoadTemplates(""); err != nil {
			return nil, err
		}
	}
	b.writes, b.phones = b.texter(), phones(b.texts)
	b.handler = guard(knownHosts(o.Hosts), b.routes(o.Mount))
	return b, nil
}

// ServeHTTP answers one request.
func (b *Board) ServeHTTP(w http.ResponseWriter, r *http.Request) { b.handler.ServeHTTP(w, r) }

// Run serves on the loopback address until ctx ends, then lets open requests
// finish, live pages included. ready, when not nil, is called with the address
// once the board can be opened.
func (b *Board) Run(ctx context.Context, ready func(address string)) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", b.listen)
	if err != nil {
		return fmt.Errorf("board: %w; is another program using %s?", err, b.listen)
	}
	server := &http.Server{
		Handler: b, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10,
	}
	b.log.Info().Str("address", "http://"+l.Addr().String()).
		Msg("board is open, on this computer only: there are no accounts yet, so nobody else can reach it")
	if ready != nil {
		ready(l.Addr().String())
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	select {
	case err := <-served:
		b.Close()
		return fmt.Errorf("board: %w", err)
	case <-ctx.Done():
	}
	b.Close()
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	err = server.Shutdown(last)
	if err != nil {
		err = errors.Join(fmt.Errorf("board: %w", err), server.Close())
	}
	<-served
	return err
}

// Close ends the live pages. Run calls it; a board used as a handler alone
// needs it called before its server shuts down.
func (b *Board) Close() { b.stop.Do(func() { close(b.done) }) }

// money is what is written before an amount.
func (b *Board) money() string {
	switch code := b.fleet().Currency; code {
	case "":
		return b.currency
	case "USD":
		return "$"
	case "EUR":
		return "€"
	case "GBP":
		return "£"
	default:
		return code + nb
	}
}
