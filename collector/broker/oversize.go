package broker

import (
	"errors"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"coilward/collector"
)

// oversize says which clients send packets that are too large: the first of each
// client in an hour. Such a client is cut off before its packet is read, so nobody
// knows the topic; and since it was not acknowledged it sends the same again, so
// that its machines would be silent and nobody knew why.
type oversize struct {
	mu   sync.Mutex
	said map[string]collector.Millis // guarded by mu; by client
}

// mostSaid bounds the clients that are remembered; past it all are forgotten.
const mostSaid = 1000

// first reports whether a client has not been told of within the hour.
func (o *oversize) first(client string, now collector.Millis) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if at, ok := o.said[client]; ok && now.Sub(at) < time.Hour {
		return false
	}
	if o.said == nil || len(o.said) >= mostSaid {
		o.said = map[string]collector.Millis{}
	}
	o.said[client] = now
	return true
}

// cutOff notes why a connection ended, where that is for somebody to mend.
func (b *Broker) cutOff(cl *mochi.Client, why error) {
	if !errors.Is(why, packets.ErrPacketTooLarge) {
		return
	}
	b.metrics.refused.WithLabelValues("too_large").Inc()
	if b.oversize.first(cl.ID, b.o.Now()) {
		b.o.Logger.Warn().Str("client", cl.ID).Str("remote", cl.Net.Remote).Str("reason", "too_large").Int("max_packet_bytes", b.o.MaxPacket).
			Msg("a message is larger than is taken, so its connection was closed and it will come again: let the sender put fewer readings in a message, or raise embedded_broker.max_packet_bytes")
	}
}
