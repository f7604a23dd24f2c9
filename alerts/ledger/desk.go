package ledger

import (
	"context"
	"fmt"
	"sync"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// DeskOptions say what a [Desk] works with.
type DeskOptions struct {
	Ledger *Ledger
	Queue  alerts.Options
	// Tell makes the messages a change asks for; nil: none. They are committed
	// with the change.
	Tell func(alerts.Change) []Message
	// Changed is called after each commit, in order, with the lock held: it must
	// not block, nor call the desk.
	Changed func([]alerts.Change)
}

// Desk is the queue with its ledger: every change is on disk before anybody sees
// it. It is safe for concurrent use; findings, the clock and people at the board
// take turns.
type Desk struct {
	o     DeskOptions
	mu    sync.Mutex
	queue *alerts.Queue // guarded by mu
	saved []byte        // the queue as committed; guarded by mu
}

// NewDesk opens a desk on the ledger's last state.
func NewDesk(ctx context.Context, o DeskOptions) (*Desk, error) {
	d := &Desk{o: o, queue: alerts.New(o.Queue)}
	b, err := o.Ledger.Queue(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the alert queue: %w", err)
	}
	if b != nil {
		if err := d.queue.Restore(b); err != nil {
			return nil, err
		}
	}
	d.saved = b
	return d, nil
}

// Apply takes findings. When it returns nil they are on disk with all they led
// to; on an error none of them was taken, and the same ones may be applied again.
func (d *Desk) Apply(ctx context.Context, findings ...detect.Finding) ([]alerts.Change, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var b Batch
	for _, f := range findings {
		has, err := d.o.Ledger.HasTaken(ctx, f.ID, f.Seq)
		if err != nil {
			return nil, d.back(err)
		}
		if has {
			continue
		}
		b.Taken = append(b.Taken, Taken{f.ID, f.Seq, f.At})
		b.Changes = append(b.Changes, d.queue.Apply(f)...)
	}
	if len(b.Taken) == 0 {
		return nil, nil
	}
	return d.commit(ctx, b)
}

// Advance lets time pass.
func (d *Desk) Advance(ctx context.Context, at collector.Millis) ([]alerts.Change, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c := d.queue.Advance(at)
	if len(c) == 0 {
		return nil, nil
	}
	return d.commit(ctx, Batch{Changes: c})
}

// Do makes a move that a person ordered; see [alerts.IllegalMove].
func (d *Desk) Do(ctx context.Context, alert string, o alerts.Order) ([]alerts.Change, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, refused := d.queue.Do(alert, o)
	if len(c) > 0 {
		if _, err := d.commit(ctx, Batch{Changes: c}); err != nil {
			return nil, err
		}
	}
	return c, refused
}

// Alerts returns the alerts that are not over, oldest first.
func (d *Desk) Alerts() []alerts.Alert {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.queue.Alerts()
}

// Alert returns an alert that is not over, as it is now.
func (d *Desk) Alert(id string) (alerts.Alert, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.queue.Now(id)
}

// Serviced says that a machine was serviced and restocked; see [alerts.Queue.Serviced].
func (d *Desk) Serviced(ctx context.Context, machine string, at collector.Millis) ([]alerts.Change, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.commit(ctx, Batch{Changes: d.queue.Serviced(machine, at)})
}

// Repaired says that a tech has repaired an alert's machine; see
// [alerts.Queue.Repaired].
func (d *Desk) Repaired(ctx context.Context, alert, name string, at collector.Millis) ([]alerts.Change, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.commit(ctx, Batch{Changes: d.queue.Repaired(alert, name, at)})
}

func (d *Desk) commit(ctx context.Context, b Batch) ([]alerts.Change, error) {
	if d.o.Tell != nil {
		for _, c := range b.Changes {
			b.Messages = append(b.Messages, d.o.Tell(c)...)
		}
	}
	var err error
	if b.Queue, err = d.queue.Snapshot(); err != nil {
		return nil, d.back(err)
	}
	if err := d.o.Ledger.Commit(ctx, b); err != nil {
		return nil, d.back(err)
	}
	d.saved = b.Queue
	if d.o.Changed != nil && len(b.Changes) > 0 {
		d.o.Changed(b.Changes)
	}
	return b.Changes, nil
}

// back puts the queue where the ledger is, after a failure.
func (d *Desk) back(cause error) error {
	q := alerts.New(d.o.Queue)
	if d.saved != nil {
		if err := q.Restore(d.saved); err != nil {
			return fmt.Errorf("%w; and the queue as committed cannot be restored: %w", cause, err)
		}
	}
	d.queue = q
	return cause
}

// Run lets time pass every step until the context ends. A ledger that cannot be
// written is told to failed, and tried again at the next step.
func (d *Desk) Run(ctx context.Context, step time.Duration, now func() time.Time, failed func(error)) error {
	t := time.NewTicker(step)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			if _, err := d.Advance(ctx, collector.MillisOf(now())); err != nil && ctx.Err() == nil {
				failed(err)
			}
		}
	}
}

// SetFleet takes a fleet file that was read again.
func (d *Desk) SetFleet(f *fleet.Fleet) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.o.Queue.Fleet = f
	d.queue.SetFleet(f)
}
