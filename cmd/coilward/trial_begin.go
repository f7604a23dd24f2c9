package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"time"

	"coilward/alerts"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/detect/shard"
)

// daysDir holds the models as they were at the midnights past.
const daysDir = "models"

func daysOf(data string) shard.Days { return shard.Days{Dir: filepath.Join(data, daysDir)} }

const (
	// runUp is what is replayed of a day's models before the first day that counts:
	// by then an alert queue knows all that it remembers of what is over.
	runUp = 24 * time.Hour
	// learnWithout is how long models learn before the first day where none of that
	// time are kept. It is longer than what they remember best: half a day for their
	// averages, four days for what is usual.
	learnWithout = 14 * 24 * time.Hour
)

// learning is how the models of a trial come to what they know at its first day.
type learning struct {
	from collector.Millis // readings received from here on are replayed
	snap *shard.Snapshot  // models go on from it; nil: they begin with nothing
	why  error            // there is none, though one was wanted
}

// parseLearn reads the argument: 0 for the day's models, less for all that is
// stored, else so many days.
func parseLearn(text string) (float64, error) {
	switch text {
	case "", "day":
		return 0, nil
	case "all":
		return -1, nil
	}
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || !(n > 0 && n <= 4000) {
		return 0, fmt.Errorf("--learn %s: write day, all, or a number of days", text)
	}
	return n, nil
}

// learnBefore decides how models come to what they know at a time.
func learnBefore(from, first collector.Millis, text string, kept shard.Days) (learning, error) {
	n, err := parseLearn(text)
	switch {
	case err != nil:
		return learning{}, err
	case n < 0:
		return learning{}, nil
	case n > 0:
		return learning{from: from.Add(-days(n))}, nil
	}
	anew := from.Add(-learnWithout)
	if first >= from.Add(-runUp) {
		return learning{from: max(anew, 0)}, nil // there is nothing before to learn from
	}
	// One that is older than what would be learned from anew costs more than it is
	// worth, and after it nothing may be missing.
	snap, err := kept.Newest(max(anew, first), from.Add(-runUp))
	if err == nil {
		err = alerts.New(alerts.Options{}).Restore(snap.Beside)
	}
	if err != nil {
		return learning{from: max(anew, 0), why: err}, nil
	}
	return learning{from: snap.Since(), snap: snap}, nil
}

// begins says the same to people.
func (l *learning) begins(first collector.Millis) trial.Begins {
	if l.snap != nil {
		return trial.Begins{Models: l.snap.At}
	}
	b := trial.Begins{Learned: max(l.from, first)}
	if l.why != nil && !errors.Is(l.why, shard.ErrNoDay) {
		b.Why = l.why.Error()
	} else if l.why != nil {
		b.Why = "no models of that time are kept"
	}
	return b
}

// restore gives a pipeline the models, as they were under the settings in use then.
func (l *learning) restore(p *pipeline, machines map[string]bool) error {
	if l.snap == nil {
		return nil
	}
	return p.models.Restore(l.snap.Of(machines))
}

// queue returns the alert queue of a run, with what it knew when the models were kept:
// the settings in use held until then, the run's hold from then on.
func (p *player) queue(with *fleet.Fleet) (*alerts.Queue, error) {
	if p.learn.snap == nil {
		return alerts.New(alerts.Options{Fleet: with}), nil
	}
	q := alerts.New(alerts.Options{Fleet: p.base})
	if err := q.Restore(p.learn.snap.Beside); err != nil {
		return nil, err
	}
	if p.machines != nil {
		q.Only(func(id string) bool { return p.machines[id] })
	}
	q.SetFleet(with)
	return q, nil
}

// feed gives the models a reading of the history.
func (l *learning) feed(models *shard.Set, e *history.Entry) {
	if l.snap != nil && e.Received < l.snap.At {
		models.Again(&e.Reading)
		return
	}
	models.Feed(e.Seq, &e.Reading)
}
