package main

import (
	"context"
	"sync"

	"coilward/collector"
	"coilward/collector/intake"
)

// gate stands before the intake. It gives messages their pipeline time, which
// does not decrease in the order in which they are stored, and lets an epoch end
// only once every message received in it is with the models. That is what makes a
// replay of the history say exactly what the live run said.
type gate struct {
	in *intake.Intake

	enter    sync.Mutex       // held until a message is in the intake's queue
	received collector.Millis // of the newest message or tick; guarded by enter
	entered  uint64           // messages; guarded by enter

	mu      sync.Mutex
	changed *sync.Cond
	safe    uint64 // messages acknowledged; guarded by mu, like the rest
	stored  bool   // readings are on disk that the models do not have yet
}

func newGate() *gate {
	g := &gate{}
	g.changed = sync.NewCond(&g.mu)
	return g
}

// handle takes a message from a broker.
func (g *gate) handle(m intake.Message) {
	ack := m.Ack
	var once sync.Once
	m.Ack = func() {
		ack()
		once.Do(func() { g.set(func() { g.safe++ }) })
	}
	g.enter.Lock()
	defer g.enter.Unlock()
	g.received = max(g.received, m.Received)
	m.Received = g.received
	g.entered++
	g.in.Handle(m)
}

func (g *gate) set(change func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	change()
	g.changed.Broadcast()
}

// pass says that pipeline time is at least at, and waits until all that was
// received before is with the models.
func (g *gate) pass(ctx context.Context, at collector.Millis) error {
	g.enter.Lock()
	g.received = max(g.received, at)
	entered := g.entered
	g.enter.Unlock()
	return g.wait(ctx, entered)
}

// wait waits until so many messages are with the models.
func (g *gate) wait(ctx context.Context, entered uint64) error {
	defer context.AfterFunc(ctx, func() { g.set(func() {}) })()
	g.mu.Lock()
	defer g.mu.Unlock()
	for g.safe < entered || g.stored {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		g.changed.Wait()
	}
	return ctx.Err()
}

// alone calls do while no message is under way, with the pipeline time, which is
// at least at. Messages wait meanwhile.
func (g *gate) alone(ctx context.Context, at collector.Millis, do func(received collector.Millis) error) error {
	g.enter.Lock()
	defer g.enter.Unlock()
	g.received = max(g.received, at)
	if err := g.wait(ctx, g.entered); err != nil {
		return err
	}
	return do(g.received)
}

// gatedStore tells the gate of readings that are on disk before they are
// acknowledged.
type gatedStore struct {
	intake.Store
	gate *gate
}

// Append stores the readings.
func (s gatedStore) Append(ctx context.Context, readings []collector.Reading) error {
	err := s.Store.Append(ctx, readings)
	if err == nil {
		s.gate.set(func() { s.gate.stored = true })
	}
	return err
}
