package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
	"golang.org/x/term"

	"coilward/alerts/board"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/collector/fleet"
)

// newLog returns a log as configured.
func newLog(c logConfig, w io.Writer) zerolog.Logger {
	if c.Format == "console" {
		terminal, ok := w.(*os.File)
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: "15:04:05", NoColor: !ok || !term.IsTerminal(int(terminal.Fd()))}
	}
	level, err := zerolog.ParseLevel(c.Level)
	if err != nil {
		level = zerolog.InfoLevel
	}
	return zerolog.New(w).Level(level).With().Timestamp().Logger()
}

// hostsOf returns the host name people open the board by.
func hostsOf(baseURL string) []string {
	u, err := url.Parse(baseURL)
	if err != nil || u.Hostname() == "" {
		return nil
	}
	return []string{u.Hostname()}
}

// unready says what keeps the daemon from doing its job; none: it is ready.
func (d *daemon) unready() []string {
	var why []string
	if !d.recovered.Load() {
		why = append(why, "models are being worked out from the history")
	}
	if d.client != nil {
		if s := d.client.State(); !s.Connected {
			why = append(why, strings.TrimSpace("not connected to the broker "+s.Broker+" "+s.Err))
		}
	}
	if err := d.intake.Degraded(); err != nil {
		why = append(why, "readings cannot be stored: "+err.Error())
	}
	if err := d.failing.Load(); err != nil {
		why = append(why, "findings cannot be kept: "+(*err).Error())
	}
	return why
}

func (d *daemon) readyz(w http.ResponseWriter, _ *http.Request) {
	why := d.unready()
	if len(why) > 0 {
		w.WriteHeader(http.StatusServiceUnavailable)
		for _, y := range why {
			fmt.Fprintln(w, y)
		}
		return
	}
	fmt.Fprintln(w, "ready")
}

// degraded tells the board what does not work.
func (d *daemon) degraded() []board.Degraded {
	var out []board.Degraded
	if !d.recovered.Load() {
		out = append(out, board.Degraded{Part: "models", Blind: true, Text: "Models are being worked out from the history; what is shown is not up to date yet."})
	}
	if d.client != nil {
		if s := d.client.State(); !s.Connected {
			out = append(out, board.Degraded{Part: "broker", Since: s.Since, Blind: true,
				Text: fmt.Sprintf("Not connected to %s: nothing new comes in. %s", s.Broker, s.Err)})
		}
	}
	if err := d.intake.Degraded(); err != nil {
		keeps := "the broker keeps them"
		if d.client == nil {
			keeps = "machines keep them, and send them again"
		}
		out = append(out, board.Degraded{Part: "history", Blind: true, Text: "Readings cannot be stored; " + keeps + ". " + err.Error()})
	}
	if err := d.failing.Load(); err != nil {
		out = append(out, board.Degraded{Part: "alerts", Text: "Findings cannot be kept, so nobody is told. " + (*err).Error()})
	}
	out = append(out, d.inUse.settingsHealth()...)
	if r := d.refused.Load(); r != nil {
		out = append(out, board.Degraded{Part: "fleet file", Since: r.since,
			Text: "The fleet file has changed and was not taken; the one before stays in use. " + r.says})
	}
	if d.influx != nil {
		if err := d.influx.Failing(); err != nil {
			out = append(out, board.Degraded{Part: "second history", Text: "InfluxDB does not take the copy; the history keeps it until it does. " + err.Error()})
		}
	}
	if m, waited := d.overdue(); float64(waited) > float64(lateMessage)*d.clock.Speed() {
		why := ""
		if m.Error != "" {
			why = " The last attempt: " + m.Error
		}
		out = append(out, board.Degraded{Part: "messages", Since: m.Made,
			Text: fmt.Sprintf("A message by %s has waited %d minutes to be sent: somebody is not told.%s", m.Channel, int(waited.Minutes()), why)})
	}
	if n := d.undelivered(); n > 0 {
		out = append(out, board.Degraded{Part: "messages", Text: fmt.Sprintf("%d %s reached nobody within a day; under Alerts it says which, why, and what to do.", n, plural(n, "message"))})
	}
	return out
}

// undelivered counts the messages of the last day that were given up.
func (d *daemon) undelivered() int {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	given, err := d.ledger.Undelivered(ctx, 50)
	if err != nil {
		return 0 // the ledger's own trouble is told elsewhere
	}
	n, now := 0, d.clock.Now()
	for i := range given {
		if !notify.IsTest(&given[i]) && now.Sub(given[i].Made) < 24*time.Hour {
			n++
		}
	}
	return n
}

// lateMessage is how long a message may wait to be sent, on the wall, before that
// is told.
const lateMessage = 2 * time.Minute

// overdue returns the oldest message that should have been sent, and for how
// long it has waited; 0 if there is none.
func (d *daemon) overdue() (ledger.Message, time.Duration) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	now := d.clock.Now()
	m, ok, err := d.ledger.Overdue(ctx, now)
	if err != nil || !ok {
		return ledger.Message{}, 0
	}
	return m, max(0, now.Sub(m.Made))
}

// registerMetrics adds the figures that belong to no package alone.
func (d *daemon) registerMetrics() {
	gauge := func(name, help string, value func() float64) {
		d.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	gauge("coilward_ready", "1 while messages are taken and everything can be kept.", func() float64 {
		if len(d.unready()) > 0 {
			return 0
		}
		return 1
	})
	gauge("coilward_fleet_machines", "Machines in the fleet file.", func() float64 { return float64(d.fleet.Load().Len()) })
	gauge("coilward_fleet_file_refused", "1 while the fleet file on disk has errors and the one before it is in use.", func() float64 {
		if d.refused.Load() != nil {
			return 1
		}
		return 0
	})
	gauge("coilward_fleet_unlisted_machines", "Machines heard that the fleet file does not list.", func() float64 { return float64(len(d.fleet.Load().Unlisted())) })
	gauge("coilward_alerts_open", "Alerts that are not over.", func() float64 { return float64(len(d.desk.Alerts())) })
	gauge("coilward_notify_oldest_waiting_seconds", "For how long the oldest message to people has waited that should have been sent; 0 when none has.", func() float64 {
		_, waited := d.overdue()
		return waited.Seconds()
	})
	gauge("coilward_history_log_bytes", "Size of readings on disk not yet in blocks.", func() float64 { return float64(d.history.Stats().LogBytes) })
	gauge("coilward_history_block_bytes", "Size of blocks of readings and of summaries on disk.", func() float64 { return float64(d.history.Stats().BlockBytes) })
	gauge("coilward_history_quarter_hour_bytes", "Size of the quarter-hour summaries on disk.", func() float64 { return float64(d.history.Stats().SummaryBytes) })
	gauge("coilward_history_free_bytes", "Free space on the disk of the history.", func() float64 { return float64(d.history.Stats().FreeBytes) })
	d.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{
		Name: "coilward_detect_late_readings_total", Help: "Readings stored that came too late for the models.",
	}, func() float64 { return float64(d.late.Load()) }))
}

// reload reads the fleet file again; one with errors leaves the old one in use.
func (d *daemon) reload(ctx context.Context) {
	name := d.config.FleetFile
	data, err := os.ReadFile(name)
	var f *fleet.Fleet
	if err == nil {
		f, err = fleet.Parse(name, data)
	}
	if err == nil {
		err = d.inUse.read(ctx, f, data)
	}
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		problems := apart(err)
		for _, e := range problems {
			d.log.Error().Err(e).Msg("the fleet file was not taken; the one before stays in use")
		}
		r := &refusedFile{since: d.clock.Now(), says: problems[0].Error()}
		if n := len(problems); n > 1 {
			r.says += fmt.Sprintf(" And %d more: `coilward check` lists them.", n-1)
		}
		d.refused.Store(r)
		return
	}
	d.refused.Store(nil)
	d.log.Info().Int("machines", f.Len()).Int("sites", len(f.Sites)).Msg("fleet file read again")
}

// refusedFile is a fleet file that was not taken.
type refusedFile struct {
	since time.Time
	says  string
}

// watched is a file that is looked at for changes.
type watched struct {
	name string
	at   time.Time
	size int64
}

func watch(name string) *watched {
	w := &watched{name: name}
	w.changed()
	return w
}

// changed reports whether the file is another than at the last look.
func (w *watched) changed() bool {
	info, err := os.Stat(w.name)
	if err != nil || info.ModTime().Equal(w.at) && info.Size() == w.size {
		return false
	}
	w.at, w.size = info.ModTime(), info.Size()
	return true
}

// hangups yields SIGHUP until stop is called.
func hangups() (<-chan os.Signal, func()) {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	return c, func() { signal.Stop(c) }
}
