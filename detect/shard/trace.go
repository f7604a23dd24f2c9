package shard

import (
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// Tracer runs one machine's model over its stored readings, apart from the
// shards, to see how it came to what it says.
type Tracer struct {
	k *keeper
}

// NewTracer returns a tracer that calls each after every reading the model took.
// The library is detect.NewLibrary if nil.
func NewTracer(spec *fleet.Machine, library *detect.Library, each func(detect.TracePoint)) *Tracer {
	if library == nil {
		library = detect.NewLibrary()
	}
	f := fleet.New(&fleet.Site{ID: spec.Site, Machines: []*fleet.Machine{spec}})
	k := newKeeper(&Options{Library: library, Fleet: f, Order: collector.OrderOptions{Window: collector.DefaultOrderWindow}})
	k.emit = func(*detect.Finding) {}
	k.release = func(r *collector.Reading) {
		k.current.model.Step(r, k.current.now, k.emit)
		if r.Status == collector.NoStatus {
			each(k.current.model.Trace())
		}
	}
	return &Tracer{k}
}

// Take takes the next reading in the order of arrival.
func (t *Tracer) Take(r *collector.Reading) {
	again := *r
	t.k.take(0, &again)
}

// End releases what still waits.
func (t *Tracer) End() { t.k.flush() }
