package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/intake"
	"coilward/detect/truth"
)

// labelled is a fleet whose truth is known, with all that was admitted of what
// it said.
type labelled struct {
	name  string
	fleet *fleet.Fleet
	truth *truth.Fleet
	said  []machineLog // as truth.Machines
	order []int32      // whose each reading was, by index, in the order of arrival
}

// readLabelled reads a folder that simulate has written.
func readLabelled(ctx context.Context, dir string, s *streams) (*labelled, error) {
	l := &labelled{name: filepath.Base(dir)}
	var ok bool
	if l.fleet, ok = readFleet(filepath.Join(dir, "fleet.yaml"), s); !ok {
		return nil, fmt.Errorf("%s: the fleet file is no use", dir)
	}
	b, err := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err != nil {
		return nil, fmt.Errorf("a labelled fleet has its truth beside it: %w", err)
	}
	if l.truth, err = truth.Parse(b); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(dir, "truth.json"), err)
	}
	l.said = make([]machineLog, len(l.truth.Machines))
	index := make(map[string]int, len(l.said))
	for i := range l.truth.Machines {
		id := l.truth.Machines[i].Machine
		if _, ok := l.fleet.Machine(id); !ok {
			return nil, fmt.Errorf("%s: machine %q of truth.json is not in fleet.yaml", dir, id)
		}
		index[id] = i
	}
	err = readAdmitted(ctx, filepath.Join(dir, "messages.ndjson.gz"), l.fleet, func(r *collector.Reading) {
		if i, ok := index[r.Machine]; ok {
			l.said[i].add(r)
			l.order = append(l.order, int32(i))
		}
	})
	if err != nil {
		return nil, err
	}
	if len(l.order) == 0 {
		return nil, fmt.Errorf("%s: no message is of a machine in truth.json", dir)
	}
	return l, nil
}

// readAdmitted reads a recording by the same steps as replay, as far as
// admission, and hands on what was admitted, in the order of arrival.
func readAdmitted(ctx context.Context, name string, f *fleet.Fleet, each func(*collector.Reading)) error {
	var bytes atomic.Int64
	in, done, err := openRecording(name, nil, &bytes)
	if err != nil {
		return err
	}
	defer done()
	admission := collector.NewAdmission(collector.AdmitOptions{Listed: f.Listed})
	admit := func(r *collector.Reading, why collector.Reason) {
		if why == collector.NoReason || why.Repaired() {
			each(r)
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	parsers := runtime.GOMAXPROCS(0)
	toParse, inOrder := make(chan *chunk, parsers), make(chan *chunk, 2*parsers+2)
	g.Go(func() error {
		defer close(toParse)
		defer close(inOrder)
		return readChunks(ctx, name, in, toParse, inOrder)
	})
	for range parsers {
		p := newParser(intake.DecoderOptions{})
		g.Go(func() error { return p.run(ctx, toParse) })
	}
	g.Go(func() error {
		var received collector.Millis
		for c := range inOrder {
			select {
			case <-c.done:
			case <-ctx.Done():
				return ctx.Err()
			}
			if c.err != nil {
				return fmt.Errorf("%s: %w", name, c.err)
			}
			for i := range c.messages {
				m := &c.messages[i]
				received = max(received, m.received)
				readings := c.readings[m.from:m.to]
				for j := range readings {
					readings[j].Received = received
				}
				admission.Admit(readings, admit)
			}
		}
		return ctx.Err()
	})
	return g.Wait()
}

// machineLog is what was admitted of one machine, in the order of arrival, kept
// small: a labelled fleet is gone through many times.
type machineLog struct {
	entries []logEntry
	values  []float64
}

type logEntry struct {
	at, received collector.Millis
	has          collector.ChannelSet
	status       collector.Status
}

func (l *machineLog) add(r *collector.Reading) {
	l.entries = append(l.entries, logEntry{r.At, r.Received, r.Has, r.Status})
	for c := range r.Has.All {
		l.values = append(l.values, r.Value[c])
	}
}

// cursor goes through a log.
type cursor struct {
	entries []logEntry
	values  []float64
}

func (l *machineLog) begin() cursor { return cursor{l.entries, l.values} }

// next fills r with the next reading; it returns false at the end. Machine and
// Site are left as they are.
func (c *cursor) next(r *collector.Reading) bool {
	if len(c.entries) == 0 {
		return false
	}
	e := &c.entries[0]
	r.At, r.Received, r.Has, r.Status = e.at, e.received, e.has, e.status
	n := 0
	for ch := range e.has.All {
		r.Value[ch] = c.values[n]
		n++
	}
	c.entries, c.values = c.entries[1:], c.values[n:]
	return true
}

// inOrder gives a machine's readings in the order of their event time.
func (l *machineLog) inOrder(spec *fleet.Machine, each func(*collector.Reading)) {
	orderer := collector.NewOrder(collector.OrderOptions{}).Orderer()
	r := collector.Reading{Machine: spec.ID, Site: spec.Site}
	for c := l.begin(); c.next(&r); {
		orderer.Push(&r, each)
	}
	orderer.Flush(each)
}

// eachMachine does work for every machine of the fleet, on all processors.
func (l *labelled) eachMachine(ctx context.Context, work func(i int, m *truth.Machine, spec *fleet.Machine)) error {
	g, ctx := errgroup.WithContext(ctx)
	var next atomic.Int64
	for range runtime.GOMAXPROCS(0) {
		g.Go(func() error {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(l.said) {
					return nil
				}
				if err := ctx.Err(); err != nil {
					return err
				}
				spec, _ := l.fleet.Machine(l.truth.Machines[i].Machine)
				work(i, &l.truth.Machines[i], spec)
			}
		})
	}
	return g.Wait()
}

// say tells on the terminal how far a long job is.
func say(w io.Writer, format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
