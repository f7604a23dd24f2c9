package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/board"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/collector"
	"coilward/collector/broker"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/influx"
	"coilward/collector/intake"
	"coilward/collector/mqtt"
	"coilward/detect"
	"coilward/detect/shard"
)

// daemon is every stage, wired.
type daemon struct {
	config   *config
	clock    Clock
	log      zerolog.Logger
	registry *prometheus.Registry

	fleet     atomic.Pointer[fleet.Fleet]
	inUse     *inUse // what fleet is made of
	trials    *trialDesk
	library   atomic.Pointer[detect.Library] // of the models, with what is known of kinds
	kinds     kindsState
	history   *history.Store
	ledger    *ledger.Ledger
	desk      *ledger.Desk
	untouched *untouched
	team      *notify.Team
	swaps     swaps
	texts     *notify.Templates
	notify    *notify.Loop
	pipe      *pipeline
	gate      *gate
	intake    *intake.Intake
	broker    *broker.Broker // nil: not used
	client    *mqtt.Client   // nil: not used
	influx    *influx.DB     // nil: not used
	board     *board.Board
	dispatch  *dispatcher
	links     *notify.Links
	bell      board.Bell

	feeding sync.Mutex // held by whoever feeds pipe.models

	recovered atomic.Bool
	failing   atomic.Pointer[error] // why findings cannot be kept just now; nil: they can
	opened    func(address string)  // told the board's address; may be nil
	probed    func(address string)  // told the metrics' own address; may be nil
	ready     func()                // told that messages are taken; may be nil
	late      atomic.Uint64         // readings too late for the models
	refused   atomic.Pointer[refusedFile]
}

const (
	modelsFile    = "models.snapshot"
	snapshotEvery = 15 * time.Minute
)

// newDaemon opens the stores and builds the stages. Nothing runs yet; close
// gives everything back where run is not called.
func newDaemon(ctx context.Context, c *config, f *fleet.Fleet, clock Clock, log zerolog.Logger) (d *daemon, err error) {
	d = &daemon{config: c, clock: clock, log: log, registry: prometheus.NewRegistry(), gate: newGate()}
	d.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	d.fleet.Store(f)
	begun := d // a failure returns no daemon, and d is nil then
	defer func() {
		if err != nil {
			err = errors.Join(err, begun.close())
		}
	}()
	if err := os.MkdirAll(c.DataDir, 0o750); err != nil {
		return nil, fmt.Errorf("data_dir cannot be made: %w", err)
	}
	d.history, err = history.Open(c.historyOptions(part(log, "history")))
	if err != nil {
		return nil, err
	}
	d.ledger, err = openLedger(ctx, c.DataDir)
	if err != nil {
		return nil, err
	}
	if f, err = d.settle(ctx, f); err != nil {
		return nil, err
	}
	if d.links, err = openLinks(c.DataDir); err != nil {
		return nil, err
	}
	if err := d.people(ctx, f); err != nil {
		return nil, err
	}
	d.desk, err = ledger.NewDesk(ctx, ledger.DeskOptions{
		Ledger: d.ledger, Queue: alerts.Options{Fleet: f, Rules: d.rules()}, Tell: d.team.Tell,
		Changed: func([]alerts.Change) { d.bell.Ring(); d.notify.Wake(); d.dispatch.Wake() },
	})
	if err != nil {
		return nil, err
	}
	if err := d.knownKinds(ctx); err != nil {
		return nil, err
	}
	if err := d.models(ctx, f); err != nil {
		return nil, err
	}
	if err := d.sources(); err != nil {
		return nil, err
	}
	if err := d.messages(); err != nil {
		return nil, err
	}
	if err := d.secondHistory(); err != nil {
		return nil, err
	}
	if err := d.routes(ctx); err != nil {
		return nil, err
	}
	return d, d.screens()
}

func part(log zerolog.Logger, name string) zerolog.Logger {
	return log.With().Str("part", name).Logger()
}

// people sets up who is told.
func (d *daemon) people(ctx context.Context, f *fleet.Fleet) error {
	settings, err := d.config.Notify.people()
	if err != nil {
		return err
	}
	d.texts, err = d.config.Notify.texts(settings)
	if err != nil {
		return err
	}
	d.team = notify.NewTeam(notify.TeamOptions{
		Settings: settings, BoardURL: d.config.Board.BaseURL, Links: d.links, Texts: d.texts,
		Current: func(alert string) (alerts.Alert, bool) { return d.desk.Alert(alert) },
		Place: func(site string) notify.Place {
			s, ok := d.fleet.Load().Site(site)
			if !ok {
				return notify.Place{Name: site}
			}
			return notify.Place{Name: s.Name, Latitude: s.Latitude, Longitude: s.Longitude, HasPosition: s.Located}
		},
		Machine: func(id string) *fleet.Machine {
			m, _ := d.fleet.Load().Machine(id)
			return m
		},
		Quiet: notify.QuietOf(d.fleet.Load),
	})
	return d.readSwaps(ctx, settings)
}

// models sets up the pipeline, with what was saved of it.
func (d *daemon) models(ctx context.Context, f *fleet.Fleet) error {
	path := filepath.Join(d.config.DataDir, modelsFile)
	options := pipelineOptions{
		Fleet: f, Library: d.library.Load(), Listed: func(id string) bool { return d.fleet.Load().Listed(id) }, Said: d.said,
		Order:         collector.OrderOptions{Late: func(*collector.Reading) { d.late.Add(1) }},
		SnapshotEvery: snapshotEvery, Beside: func() ([]byte, error) { return d.untouched.snapshot() }, Snapshot: func(s *shard.Snapshot) error {
			err := s.Write(path)
			if kept := daysOf(d.config.DataDir); kept.Due(s) {
				err = errors.Join(err, kept.Put(s))
			}
			return err
		},
		Failed: func(err error) { d.log.Error().Err(err).Msg("models cannot be saved") },
	}
	d.pipe, d.untouched = newPipeline(options), newUntouched(f)
	snap, err := shard.Read(path)
	if err == nil && snap != nil {
		if snap.Seq > d.history.LastSeq() {
			err = errors.New("saved models are ahead of the history, which was replaced; they are worked out from it")
		} else if snap.Again+1 < d.history.FirstSeq() {
			err = errors.New("saved models are older than the history; they are worked out from it")
		} else if err = d.restore(snap, f); err == nil {
			d.log.Info().Int("machines", len(snap.Machines)).Time("event_time", snap.At.Time()).Msg("models are back")
		}
	}
	if err != nil {
		d.log.Warn().Err(err).Msg("models are worked out from the history, which may take a while")
	}
	// Senders repeat what was not acknowledged: it must be known again.
	return d.history.Newest(ctx, time.Hour, func(e *history.Entry) error {
		if e.Status != collector.Away {
			d.pipe.admission.Restore(&e.Reading)
		}
		d.gate.received = max(d.gate.received, e.Received)
		return nil
	})
}

// restore goes on from saved models, and from the queue that was saved with them.
func (d *daemon) restore(snap *shard.Snapshot, f *fleet.Fleet) error {
	queue := newUntouched(f)
	if err := queue.q.Restore(snap.Beside); err != nil {
		return err
	}
	if err := d.pipe.models.Restore(snap); err != nil {
		return err
	}
	d.untouched = queue
	return nil
}

// sources sets up the intake and the brokers before it.
func (d *daemon) sources() (err error) {
	root := d.config.Broker.Root
	d.intake = intake.New(intake.Options{
		Decoder: intake.NewDecoder(intake.DecoderOptions{Root: root, MaxBytes: d.config.Broker.MaxPacket}), Admission: d.pipe.admission, Wait: d.config.gather,
		Store: gatedStore{d.history, d.gate}, Next: d.next, Log: part(d.log, "intake"), Registry: d.registry,
	})
	d.gate.in = d.intake
	if d.config.hasBroker {
		o := d.config.Broker
		o.Handler, o.Now, o.Logger, o.Registerer = d.gate.handle, millis(d.clock), part(d.log, "broker"), d.registry
		if d.broker, err = broker.New(o); err != nil {
			return err
		}
	}
	if d.config.MQTT.Broker != "" {
		o := d.config.MQTT
		o.Handler, o.Now, o.Logger, o.Registerer = d.gate.handle, millis(d.clock), part(d.log, "mqtt"), d.registry
		if d.client, err = mqtt.New(o); err != nil {
			return err
		}
	}
	return nil
}

// messages sets up what reaches people.
func (d *daemon) messages() (err error) {
	var publisher notify.Publisher
	switch {
	case d.client != nil:
		publisher = d.client
	case d.broker != nil:
		publisher = d.broker
	}
	senders, err := d.config.Notify.senders(publisher)
	if err != nil {
		return err
	}
	d.notify, err = notify.NewLoop(notify.LoopOptions{
		Outbox: d.ledger, Senders: senders, Writer: d.team, Now: d.clock.Now,
		Log: part(d.log, "notify"), Metrics: d.registry,
	})
	return err
}

// secondHistory sets up the copy of the history in InfluxDB.
func (d *daemon) secondHistory() error {
	c := d.config.Influx
	if c.URL == "" {
		return nil
	}
	token, err := secretOf(c.TokenFile)
	if err != nil {
		return err
	}
	d.influx = influx.New(influx.Options{
		URL: c.URL, Token: influx.Secret(token), Org: c.Org, Bucket: c.Bucket,
		Source: d.history, Cursor: filepath.Join(d.config.DataDir, "influx.cursor"), Log: part(d.log, "influx"), Registry: d.registry,
	})
	return nil
}

// screens sets up the board, and beside it what machines ask.
func (d *daemon) screens() (err error) {
	o := board.Options{
		Listen: d.config.Board.Listen, Hosts: hostsOf(d.config.Board.BaseURL),
		Fleet: d.fleet.Load, Models: boardModels{d}, History: boardHistory{d.history, d.log}, Desk: d.desk, Ledger: d.ledger,
		Clock: d.clock, Bell: &d.bell, Health: d.degraded, Version: version(), Log: part(d.log, "board"),
		Mount: d.probes(),
	}
	d.routeScreens(&o)
	if d.trials, err = newTrialDesk(d); err != nil {
		return err
	}
	o.Settings, o.Trials = boardSettings{d.inUse}, d.trials
	d.board, err = board.New(o)
	if err == nil {
		d.registerMetrics()
	}
	return err
}

// close gives the stores back.
func (d *daemon) close() error {
	var errs []error
	if d.broker != nil {
		errs = append(errs, d.broker.Close())
	}
	if d.influx != nil {
		d.influx.Close()
	}
	if d.ledger != nil {
		errs = append(errs, d.ledger.Close())
	}
	if d.history != nil {
		errs = append(errs, d.history.Close())
	}
	return errors.Join(errs...)
}
