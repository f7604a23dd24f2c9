package main

import (
	"context"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/shard"
)

// pipeline is everything between the messages and the people, as functions of
// what was received: admit → order → detect → alerts. The daemon, a replay and a
// trial run the same one; what differs is where readings come from, and who is
// given the changes.
type pipeline struct {
	admission *collector.Admission
	models    *shard.Set
	received  collector.Millis // of the newest message
}

// pipelineOptions say what the pipeline works with.
type pipelineOptions struct {
	Fleet   *fleet.Fleet
	Library *detect.Library           // detect.NewLibrary if nil
	Shards  int                       // as many as there are processors if 0
	Listed  func(machine string) bool // the fleet's if nil
	Admit   collector.AdmitOptions    // Listed is the fleet's
	Order   collector.OrderOptions
	Said    said

	// Of the daemon alone, which keeps its models.
	SnapshotEvery time.Duration
	Beside        func() ([]byte, error)
	Snapshot      func(*shard.Snapshot) error
	Failed        func(error)
}

func newPipeline(o pipelineOptions) *pipeline {
	if o.Admit.Listed = o.Listed; o.Listed == nil {
		o.Admit.Listed = o.Fleet.Listed
	}
	return &pipeline{
		admission: collector.NewAdmission(o.Admit),
		models: shard.New(shard.Options{
			Shards: o.Shards, Library: o.Library, Fleet: o.Fleet, Order: o.Order, Said: o.Said,
			SnapshotEvery: collector.Millis(o.SnapshotEvery.Milliseconds()), Beside: o.Beside, Snapshot: o.Snapshot, Failed: o.Failed,
		}),
	}
}

// stamp returns the pipeline time of a message that says it was received at t:
// time does not go backwards from message to message, whatever the clock does.
func (p *pipeline) stamp(t collector.Millis) collector.Millis {
	p.received = max(p.received, t)
	return p.received
}

// admit takes the readings of one message, all with the same Received, and
// feeds the admitted ones to the models.
func (p *pipeline) admit(message []collector.Reading) {
	p.admission.Admit(message, func(r *collector.Reading, why collector.Reason) {
		if why == collector.NoReason || why.Repaired() {
			p.models.Feed(0, r)
		}
	})
}

// feed hands readings that were admitted and stored to the models; last is the
// sequence number of the last of them.
func (p *pipeline) feed(readings []collector.Reading, last uint64) {
	first := last + 1 - uint64(len(readings))
	for i := range readings {
		p.models.Feed(first+uint64(i), &readings[i])
	}
}

// said takes what the models said in the epochs up to a time.
type said func(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error

// deskOf turns findings into the changes of an alert queue, and gives each to
// tell. It is what a replay has in place of the ledger's desk.
func deskOf(q *alerts.Queue, tell func(*alerts.Change) error) said {
	return func(_ context.Context, upTo collector.Millis, findings []detect.Finding) error {
		each := func(changes []alerts.Change) error {
			for i := range changes {
				if err := tell(&changes[i]); err != nil {
					return err
				}
			}
			return nil
		}
		for _, f := range findings {
			if err := each(q.Apply(f)); err != nil {
				return err
			}
		}
		return each(q.Advance(upTo))
	}
}

// longestGap is the longest time between two messages that is believed: more
// than that is a wrong time in one of them.
const longestGap = 400 * 24 * time.Hour
