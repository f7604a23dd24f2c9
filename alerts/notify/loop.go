package notify

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"coilward/alerts/ledger"
)

// Outbox is where the messages wait.
type Outbox interface {
	Due(ctx context.Context, channel string, now time.Time, limit int) ([]ledger.Message, error)
	NextDue(ctx context.Context, channel string) (time.Time, bool, error)
	SentTo(ctx context.Context, person string, from, to time.Time) ([]ledger.Message, error)
	Begin(ctx context.Context, key string) error
	Sent(ctx context.Context, key string, at time.Time) error
	Failed(ctx context.Context, key string, f ledger.Failure) error
	Delay(ctx context.Context, key string, until time.Time) error
	Drop(ctx context.Context, key, why string) error
	Fold(ctx context.Context, keys []string, into ledger.Message) error
}

// Writer writes what a message says at the moment it goes out.
type Writer interface {
	// Refresh returns the message as it is now, or why it says nothing any more.
	Refresh(m ledger.Message, now time.Time) (fresh ledger.Message, stale string)
	// Fold writes the message that takes the place of many; next is how long what
	// follows may wait.
	Fold(person, channel string, ms []ledger.Message, next time.Duration) (subject, text string)
}

// LoopOptions say what a [Loop] works with.
type LoopOptions struct {
	Outbox  Outbox
	Senders map[string]Sender // by channel; a message for another is given up
	Writer  Writer            // nil: messages go out as they were made
	Now     func() time.Time  // nil: time.Now
	Jitter  func() float64    // in [0, 1); nil: random
	GiveUp  time.Duration     // after this long; 0: 24 h
	First   time.Duration     // before the second attempt; doubled each time; 0: 10 s
	Longest time.Duration     // between attempts; 0: 15 min
	Log     zerolog.Logger
	Metrics prometheus.Registerer // nil: none
}

// Loop sends what is due. Use [NewLoop].
type Loop struct {
	o     LoopOptions
	wake  map[string]chan struct{}
	count *prometheus.CounterVec
}

// Outcomes of an attempt, for the metric.
var outcomes = []string{"sent", "failed", "given_up", "folded", "dropped"}

// NewLoop returns a loop; Run it.
func NewLoop(o LoopOptions) (*Loop, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Writer == nil {
		o.Writer = NewTeam(TeamOptions{})
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
	o.GiveUp, o.First, o.Longest = or(o.GiveUp, 24*time.Hour), or(o.First, 10*time.Second), or(o.Longest, 15*time.Minute)
	l := &Loop{o: o, wake: map[string]chan struct{}{}, count: prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "coilward_notify_messages_total", Help: "Messages to people, by channel and outcome of the attempt.",
	}, []string{"channel", "outcome"})}
	for _, c := range Channels {
		l.wake[c] = make(chan struct{}, 1)
		for _, x := range outcomes {
			l.count.WithLabelValues(c, x)
		}
	}
	if o.Metrics != nil {
		if err := o.Metrics.Register(l.count); err != nil {
			return nil, err
		}
	}
	return l, nil
}

func or(d, otherwise time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return otherwise
}

// Wake says that there is something new in the outbox.
func (l *Loop) Wake() {
	for _, c := range l.wake {
		select {
		case c <- struct{}{}:
		default: // it is about to look already
		}
	}
}

// lookAgain bounds how long the loop sleeps, should nobody wake it.
const lookAgain = 30 * time.Second

// Run sends until the context ends. Each channel has a goroutine, so one that
// hangs keeps no other back.
func (l *Loop) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, c := range Channels {
		g.Go(func() error {
			for ctx.Err() == nil {
				if err := l.pass(ctx, c); err != nil && ctx.Err() == nil {
					l.o.Log.Error().Err(err).Str("channel", c).Msg("the outbox cannot be read or written; trying again")
				}
				t := time.NewTimer(l.pause(ctx, c))
				select {
				case <-ctx.Done():
				case <-l.wake[c]:
				case <-t.C:
				}
				t.Stop()
			}
			return nil
		})
	}
	return g.Wait()
}

func (l *Loop) pause(ctx context.Context, channel string) time.Duration {
	at, ok, err := l.o.Outbox.NextDue(ctx, channel)
	if err != nil || !ok {
		return lookAgain
	}
	return min(max(at.Sub(l.o.Now()), time.Second), lookAgain)
}

// passSize messages are looked at together.
const passSize = 500

// pass sends everything that is due on a channel.
func (l *Loop) pass(ctx context.Context, channel string) error {
	ms, err := l.o.Outbox.Due(ctx, channel, l.o.Now(), passSize)
	if err != nil {
		return err
	}
	if ms, err = l.refresh(ctx, ms); err != nil {
		return err
	}
	if channel == "email" || channel == "chat" { // the others are read by machines
		if ms, err = l.calm(ctx, ms); err != nil {
			return err
		}
	}
	for _, m := range ms {
		if ctx.Err() != nil {
			return nil
		}
		if err := l.send(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// refresh brings messages that have waited up to now, and drops those that say
// nothing any more: what was taken, or is over, while somebody slept. One that may
// have arrived before stays as it was.
func (l *Loop) refresh(ctx context.Context, ms []ledger.Message) ([]ledger.Message, error) {
	now := l.o.Now()
	out := ms[:0]
	for _, m := range ms {
		fresh, stale := l.o.Writer.Refresh(m, now)
		switch {
		case stale != "":
			if err := l.o.Outbox.Drop(ctx, m.Key, stale); err != nil {
				return nil, err
			}
			l.count.WithLabelValues(m.Channel, "dropped").Inc()
		case m.Unsure:
			out = append(out, m)
		default:
			out = append(out, fresh)
		}
	}
	return out, nil
}

// SendNow makes one attempt at one message, whatever else waits. It is for a test
// message while no loop runs.
func (l *Loop) SendNow(ctx context.Context, m ledger.Message) error { return l.send(ctx, m) }

// send makes one attempt.
func (l *Loop) send(ctx context.Context, m ledger.Message) error {
	s := l.o.Senders[m.Channel]
	if s == nil {
		return l.failed(ctx, m, &Failure{Cause: fmt.Errorf("channel %s is not set up", m.Channel), Permanent: true})
	}
	if err := l.o.Outbox.Begin(ctx, m.Key); err != nil {
		return err
	}
	m.Attempts++
	err := s.Send(ctx, m)
	// What became of it is written even when the program is being stopped.
	ctx = context.WithoutCancel(ctx)
	if err != nil {
		f := *failureOf(err)
		f.Unsure = f.Unsure || m.Unsure
		return l.failed(ctx, m, &f)
	}
	l.count.WithLabelValues(m.Channel, "sent").Inc()
	return l.o.Outbox.Sent(ctx, m.Key, l.o.Now())
}

func (l *Loop) failed(ctx context.Context, m ledger.Message, f *Failure) error {
	now := l.o.Now()
	next := now.Add(max(l.backOff(m.Attempts), f.RetryAfter))
	outcome := "failed"
	if f.Permanent || now.Sub(m.Made) > l.o.GiveUp {
		next, outcome = time.Time{}, "given_up"
		l.o.Log.Error().Err(f.Cause).Str("channel", m.Channel).Str("person", m.Person).Str("alert", m.Alert).Msg("message given up; it is on the board")
	}
	l.count.WithLabelValues(m.Channel, outcome).Inc()
	return l.o.Outbox.Failed(ctx, m.Key, ledger.Failure{Next: next, Cause: f.Cause, Unsure: f.Unsure})
}

// backOff is how long to wait after n attempts: doubled each time, between half
// and all of it.
func (l *Loop) backOff(n int) time.Duration {
	d := l.o.Longest
	if n = max(n, 1); n <= 20 {
		d = min(d, l.o.First<<(n-1))
	}
	return d/2 + time.Duration(l.o.Jitter()*float64(d/2))
}
