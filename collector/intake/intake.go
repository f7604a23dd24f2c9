package intake

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"coilward/collector"
)

// Defaults of Options.
const (
	DefaultQueue = 4096
	DefaultBatch = 1024
	DefaultWait  = 5 * time.Millisecond

	firstRetry = 100 * time.Millisecond
	lastRetry  = 10 * time.Second
)

// Store is where admitted readings are kept. Append returns when they are on
// disk; LastSeq is the place of the last one in the order of arrival.
type Store interface {
	Append(ctx context.Context, readings []collector.Reading) error
	LastSeq() uint64
}

// Options configures an Intake. Decoder, Admission, Store and Next must be
// given; zero means the default for the rest.
type Options struct {
	Decoder   *Decoder
	Admission *collector.Admission
	Store     Store // nobody else appends to it

	// Next takes admitted readings in the order of arrival, last being the
	// sequence number of the last of them. They are on disk by then. The slice
	// is Next's until it returns; while it blocks, nothing more is taken in. An
	// error ends Run.
	Next func(ctx context.Context, readings []collector.Reading, last uint64) error

	Queue int           // messages that may wait; when it is full, Handle blocks
	Batch int           // messages at most that are put on disk together
	Wait  time.Duration // how long a message waits for others at most

	Now      func() time.Time // for the time to acknowledge; time.Now
	Log      zerolog.Logger
	Registry prometheus.Registerer // none if nil
}

// Intake takes messages through the steps: decode, admit, store, acknowledge,
// hand on.
type Intake struct {
	o        Options
	queue    chan arrival
	ended    chan struct{}
	metrics  *metrics
	refusals refusalLog
	degraded atomic.Pointer[error]

	// What follows belongs to Run.
	batch    []arrival
	readings []collector.Reading
	decoded  []collector.Reading
}

// arrival is a message and when it came to Handle.
type arrival struct {
	Message
	came time.Time
}

// New returns an Intake whose Run has not begun.
func New(o Options) *Intake {
	if o.Queue <= 0 {
		o.Queue = DefaultQueue
	}
	if o.Batch <= 0 {
		o.Batch = DefaultBatch
	}
	if o.Wait <= 0 {
		o.Wait = DefaultWait
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	in := &Intake{
		o:        o,
		queue:    make(chan arrival, o.Queue),
		ended:    make(chan struct{}),
		refusals: refusalLog{log: o.Log},
	}
	in.metrics = newMetrics(o.Registry, func() float64 { return float64(len(in.queue)) })
	return in
}

// Handle takes a message. It blocks while the queue is full, so that the broker
// keeps what does not fit. After Run has ended messages are left
// unacknowledged: the broker sends them to whoever comes next.
func (in *Intake) Handle(m Message) {
	select {
	case <-in.ended:
		return
	default:
	}
	select {
	case in.queue <- arrival{m, in.o.Now()}:
	case <-in.ended:
	}
}

// Degraded returns why readings cannot be stored just now; nil when all is
// well.
func (in *Intake) Degraded() error {
	if err := in.degraded.Load(); err != nil {
		return *err
	}
	return nil
}

// Run takes messages until ctx is done, then finishes those that wait. Call it
// once. Its error is that of Next, or of the store when messages had to be
// left unacknowledged at the end.
func (in *Intake) Run(ctx context.Context) error {
	defer close(in.ended)
	for {
		select {
		case <-ctx.Done():
			return in.drain(ctx)
		case first := <-in.queue:
			in.gather(ctx, first)
			if err := in.process(ctx); err != nil {
				return err
			}
		}
	}
}

// gather fills the batch with what comes within the wait.
func (in *Intake) gather(ctx context.Context, first arrival) {
	in.batch = append(in.batch[:0], first)
	timer := time.NewTimer(in.o.Wait)
	defer timer.Stop()
	for len(in.batch) < in.o.Batch {
		select {
		case m := <-in.queue:
			in.batch = append(in.batch, m)
		case <-timer.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// drain finishes what is in the queue, without waiting for more.
func (in *Intake) drain(ctx context.Context) error {
	for {
		in.batch = in.batch[:0]
		for len(in.batch) < in.o.Batch && len(in.queue) > 0 {
			in.batch = append(in.batch, <-in.queue)
		}
		if len(in.batch) == 0 {
			return nil
		}
		if err := in.process(ctx); err != nil {
			return err
		}
	}
}

// process takes the batch through all steps.
func (in *Intake) process(ctx context.Context) error {
	in.readings = in.readings[:0]
	for i := range in.batch {
		in.admit(&in.batch[i].Message)
	}
	if len(in.readings) > 0 {
		if err := in.store(ctx); err != nil {
			return err
		}
	}
	now := in.o.Now()
	for i := range in.batch {
		in.batch[i].Ack()
		in.metrics.ack.Observe(now.Sub(in.batch[i].came).Seconds())
	}
	in.metrics.messages.Add(float64(len(in.batch)))
	clear(in.batch) // let go of the payloads
	if len(in.readings) == 0 {
		return nil
	}
	// What is on disk is handed on even when ctx is done.
	err := in.o.Next(context.WithoutCancel(ctx), in.readings, in.o.Store.LastSeq())
	clear(in.readings)
	return err
}

// admit appends to in.readings what is admitted of a message.
func (in *Intake) admit(m *Message) {
	var refused []Refusal
	in.decoded, refused = in.o.Decoder.Decode(in.decoded[:0], m.Received, m.Topic, m.Payload)
	if len(refused) > 0 {
		from, ok := parseTopic(in.o.Decoder.root, m.Topic)
		if !ok {
			from = address{} // no machine's
		}
		for i := range refused {
			in.metrics.count(refused[i].Reason)
			in.refusals.decode(from, m.Received, &refused[i])
		}
	}
	in.o.Admission.Admit(in.decoded, func(r *collector.Reading, why collector.Reason) {
		if why != collector.NoReason {
			in.metrics.count(why)
			in.refusals.admit(r, why)
		}
		if why == collector.NoReason || why.Repaired() {
			in.readings = append(in.readings, *r)
		}
	})
}

// store puts the readings on disk, trying until it works. They have been
// admitted, so they cannot be given up: nothing is acknowledged, the queue
// fills, and the broker keeps the rest. Once ctx is done it tries one time
// more.
func (in *Intake) store(ctx context.Context) error {
	for wait := firstRetry; ; wait = min(2*wait, lastRetry) {
		done := ctx.Err() != nil
		err := in.o.Store.Append(context.WithoutCancel(ctx), in.readings)
		if err == nil {
			in.metrics.admitted.Add(float64(len(in.readings)))
			if in.degraded.Swap(nil) != nil {
				in.metrics.degraded.Set(0)
				in.o.Log.Info().Msg("readings can be stored again")
			}
			return nil
		}
		in.metrics.storeErrors.Inc()
		if in.degraded.Swap(&err) == nil {
			in.metrics.degraded.Set(1)
			in.o.Log.Error().Err(err).Msg("readings cannot be stored; messages are not acknowledged, the broker keeps them")
		}
		if done {
			return fmt.Errorf("intake: %d messages are left to the broker: %w", len(in.batch)+len(in.queue), err)
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
}
