package collector

import "time"

// recent remembers what was admitted of a machine's latest instants, so that a
// message that comes again is known. It is a ring of 16 instants; while a
// backfill brings more than that in within memory, it grows, up to mostRecent.
type recent struct {
	ring []instant // length a power of two
	next int
}

// instant is what came of one instant, see contents. It is 16 bytes: there is a ring of them for every machine.
type instant struct {
	at       Millis
	has      ChannelSet
	received uint32 // Unix seconds, which pass 2^32 in 2106
}

const (
	leastRecent = 16
	mostRecent  = 2048
	memory      = 15 * time.Minute // a sender repeats what was not acknowledged sooner than this
)

// find returns the instant, or nil.
func (c *recent) find(at Millis) *instant {
	for i := range c.ring {
		if e := &c.ring[i]; e.at == at && e.received != 0 {
			return e
		}
	}
	return nil
}

// add remembers an instant that is not there yet.
func (c *recent) add(at Millis, has ChannelSet, received Millis) {
	now := uint32(received / 1000)
	// Signed: the pipeline's clock may have been set back.
	isOld := func(e instant) bool { return int32(now-e.received) > int32(memory/time.Second) }
	n := len(c.ring)
	switch {
	case n == 0:
		c.ring = make([]instant, leastRecent)
	case c.ring[c.next].received != 0 && !isOld(c.ring[c.next]) && n < mostRecent:
		c.resize(2 * n)
	case n > leastRecent && isOld(c.ring[(c.next+n*3/4)%n]):
		c.resize(n / 2)
	}
	c.ring[c.next] = instant{at, has, max(now, 1)}
	c.next = (c.next + 1) % len(c.ring)
}

// resize keeps the latest of what the new ring holds.
func (c *recent) resize(n int) {
	ring := make([]instant, n)
	keep := min(n-1, len(c.ring))
	for i := range keep {
		ring[i] = c.ring[(c.next+len(c.ring)-keep+i)%len(c.ring)]
	}
	c.ring, c.next = ring, keep
}

// contents returns the reading's channels and, in the bits above them, which
// of its extra channels there are, by a hash of their names. Two names may share
// a bit: then the second of two messages of one instant that hold nothing
// but one of them each is taken for a duplicate.
func contents(r *Reading) ChannelSet {
	has := r.Has
	for i := range r.Extra {
		if r.Extra[i].Name == ClockCorrection {
			continue
		}
		h := uint32(2166136261) // FNV-1a
		for _, b := range []byte(r.Extra[i].Name) {
			h = (h ^ uint32(b)) * 16777619
		}
		has = has.With(Channel(NumChannels + int(h%uint32(32-NumChannels))))
	}
	return has
}
