package main

import (
	"sync"
	"time"

	"coilward/collector"
)

// Clock is pipeline time. Speed is how many seconds of it pass in one on the
// wall.
type Clock interface {
	Now() time.Time
	Speed() float64
}

// wallClock is the time on the wall.
type wallClock struct{}

func (wallClock) Now() time.Time { return time.Now() }
func (wallClock) Speed() float64 { return 1 }

// fastClock runs at a speed of its own, once it runs; before, it is set by hand.
type fastClock struct {
	mu    sync.Mutex
	at    time.Time // guarded by mu, like the rest
	since time.Time // on the wall, when it was at; zero: it stands
	speed float64
	wall  func() time.Time
}

func newFastClock(at time.Time, wall func() time.Time) *fastClock {
	return &fastClock{at: at, speed: 1, wall: wall}
}

// Now returns the time.
func (c *fastClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.since.IsZero() {
		return c.at
	}
	return c.at.Add(time.Duration(float64(c.wall().Sub(c.since)) * c.speed))
}

// Speed returns how fast it runs.
func (c *fastClock) Speed() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.speed
}

// Set stands the clock at a time; a clock does not go backwards.
func (c *fastClock) Set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at.After(c.at) {
		c.at = at
	}
}

// Go lets it run from where it stands.
func (c *fastClock) Go(speed float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.since, c.speed = c.wall(), speed
}

// millis adapts a clock to those who count milliseconds.
func millis(c Clock) func() collector.Millis {
	return func() collector.Millis { return collector.MillisOf(c.Now()) }
}
