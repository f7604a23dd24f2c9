package notify

import (
	"context"
	"errors"
	"time"

	"coilward/alerts/ledger"
)

// Sender sends a message over one channel. It returns nil once the other side has
// taken it; otherwise an error, a *[Failure] where it knows more.
type Sender interface {
	Send(ctx context.Context, m ledger.Message) error
}

// Failure says what an attempt that failed means for the next.
type Failure struct {
	Cause      error
	Permanent  bool          // trying again cannot help
	Unsure     bool          // the other side may have taken it all the same
	RetryAfter time.Duration // the other side asks for this long; 0: it did not
}

func (f *Failure) Error() string { return f.Cause.Error() }

// Unwrap returns the cause.
func (f *Failure) Unwrap() error { return f.Cause }

// failureOf returns what is known of a failed attempt. Of an error that says
// nothing it is not known whether the message went.
func failureOf(err error) *Failure {
	var f *Failure
	if errors.As(err, &f) {
		return f
	}
	return &Failure{Cause: err, Unsure: true}
}

// again marks the text of a message that may have arrived before.
func again(m ledger.Message) string {
	if !m.Unsure {
		return m.Text
	}
	if m.Again == "" {
		m.Again = "(Sent again: it is not known whether this reached you before.)"
	}
	return m.Again + "\n" + m.Text
}
