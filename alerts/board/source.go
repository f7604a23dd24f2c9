package board

import (
	"context"
	"iter"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/detect"
)

// Models is what the machines' models believe.
type Models interface {
	// Views yields every machine that was heard once, in any order.
	Views() iter.Seq[detect.View]
	View(machine string) (detect.View, bool)
	// Trace returns the model's state over [from, to], oldest first.
	Trace(ctx context.Context, machine string, from, to time.Time) ([]detect.TracePoint, error)
}

// History is the stored readings of one machine over [from, to], oldest
// first. The reading is only valid until the next one is asked for.
type History interface {
	Readings(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*collector.Reading, error]
}

// Clock is the pipeline's time. Speed is how many seconds of it pass in a
// second on the wall: 1 but for a demo.
type Clock interface {
	Now() time.Time
	Speed() float64
}

// Degraded is a part of the daemon that does not do all of its job.
type Degraded struct {
	Part  string    // "broker", "history", "e-mail"
	Text  string    // what does not work, what it means, what to do
	Since time.Time // pipeline time; zero unknown
	Blind bool      // new readings do not reach the screens, so no news is not good news
}

// Arrival is when somebody is planned to be at a machine, is there, or was.
type Arrival struct {
	Who   string
	At    time.Time // of the planned arrival; since when, or until when, they were there
	There bool      // has reported to be there
	Left  bool      // has reported to be done
}

// Arrivals is who comes to a machine about an alert; ok is false for nobody.
type Arrivals func(machine, alert string) (a Arrival, ok bool)

// Desk is the alert queue as committed; *ledger.Desk is one.
type Desk interface {
	// Alerts returns the alerts that are not over.
	Alerts() []alerts.Alert
	// Do makes a person's move. The person is shown the error word for word.
	Do(ctx context.Context, alert string, o alerts.Order) ([]alerts.Change, error)
}

// Ledger is every alert there was; *ledger.Ledger is one.
type Ledger interface {
	// Alert returns one alert, over or not; ledger.ErrNone when there is none.
	Alert(ctx context.Context, id string) (alerts.Alert, error)
	// Moves returns the moves of one alert, oldest first.
	Moves(ctx context.Context, alert string) ([]alerts.Step, error)
}
