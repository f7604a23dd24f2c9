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
	// Views yields every machine once, in any order.
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
}

// Arrival is when somebody is planned to be at a machine.
type Arrival struct {
	Who string
	At  time.Time
}

// Alerts is the alert queue: what is open, and what a person may do about it.
type Alerts interface {
	// Open returns every alert that is not normal. The board does not change them.
	Open(ctx context.Context) ([]alerts.Alert, error)
	// Alert returns one alert, closed ones included.
	Alert(ctx context.Context, id string) (a alerts.Alert, ok bool, err error)
	// Do makes a person's move. The person is shown the error word for word.
	Do(ctx context.Context, id string, o alerts.Order) error
	// Steps returns every move the alert made, oldest first.
	Steps(ctx context.Context, id string) ([]alerts.Step, error)
}
