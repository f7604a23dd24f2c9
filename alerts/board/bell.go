package board

import "sync"

// Bell tells open pages that something has changed: whoever changes something
// rings it, and every stream looks again. It carries no facts, so a ring that
// is missed while another is being answered loses nothing. The zero value is
// ready.
type Bell struct {
	mu    sync.Mutex
	rings uint64
	ears  map[chan struct{}]bool
}

// Ring wakes every listener. It never blocks.
func (b *Bell) Ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rings++
	for ear := range b.ears {
		select {
		case ear <- struct{}{}:
		default: // it has not answered the last ring yet: that answer will do
		}
	}
}

// listen returns a channel that gets a value after a ring, until stop.
func (b *Bell) listen() (ear <-chan struct{}, stop func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := make(chan struct{}, 1)
	if b.ears == nil {
		b.ears = map[chan struct{}]bool{}
	}
	b.ears[c] = true
	return c, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.ears, c)
	}
}

func (b *Bell) count() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.rings
}
