package broker

import (
	"errors"
	"math"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"coilward/collector/intake"
)

// statusLimit bounds the payload of a status that is remembered.
const statusLimit = 64 // bytes

// hook is where the library asks what to do.
type hook struct {
	mochi.HookBase
	b *Broker
}

func (h *hook) ID() string { return "coilward" }

func (h *hook) Provides(what byte) bool {
	switch what {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnSessionEstablish,
		mochi.OnPublish, mochi.OnWill, mochi.OnWillSent, mochi.OnDisconnect, mochi.OnQosPublish:
		return true
	}
	return false
}

func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	b := h.b
	refuse := func(reason string) bool {
		b.metrics.refused.WithLabelValues(reason).Inc()
		b.o.Logger.Debug().Str("client", cl.ID).Str("remote", cl.Net.Remote).Str("reason", reason).Msg("connection refused")
		return false
	}
	user := string(pk.Connect.Username)
	c := b.credentials.Load()
	if c != nil && !c.Verify(user, pk.Connect.Password) {
		return refuse("credentials")
	}
	// Whoever takes over a session throws its owner out.
	if existing, ok := b.server.Clients.Get(cl.ID); ok && c != nil && string(existing.Properties.Username) != user {
		return refuse("client_id")
	} else if !ok && b.server.Clients.Len() > 2*b.o.MaxClients {
		return refuse("sessions") // sessions of clients that are away take memory too
	}
	// The library does not check where a last will goes.
	if pk.Connect.WillFlag && !mayPublish(c, user, b.o.Root, pk.Connect.WillTopic) {
		return refuse("will")
	}
	return true
}

// OnSessionEstablish runs before a session is taken over. The machine whose
// connection is replaced is there, so its last will must not say otherwise.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	if existing, ok := h.b.server.Clients.Get(cl.ID); ok && !existing.Closed() {
		h.b.replaced.Store(existing, true)
	}
}

// OnWill runs on the client's own goroutine, so it may change the client. A
// delay beyond any uptime is how the library is kept from sending.
func (h *hook) OnWill(cl *mochi.Client, will mochi.Will) (mochi.Will, error) {
	h.b.gate.RLock()
	stopping := h.b.draining // our stop is no machine's end
	h.b.gate.RUnlock()
	if _, replaced := h.b.replaced.Load(cl); replaced || stopping {
		cl.Properties.Will.WillDelayInterval = math.MaxUint32
	}
	return will, nil
}

func (h *hook) OnDisconnect(cl *mochi.Client, why error, _ bool) {
	h.b.replaced.Delete(cl)
	h.b.cutOff(cl, why)
}

// OnACLCheck decides on subscriptions. Publishing is decided in OnPublish: a no
// from here would close the connection.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	return write || mayRead(h.b.credentials.Load(), string(cl.Properties.Username), h.b.o.Root, topic)
}

var errNotStored = errors.New("not stored in time")

// OnPublish hands a message on and waits until it is acknowledged. The library
// would acknowledge whatever unknown error is returned here: only
// ErrRejectPacket keeps it from doing so, and only a closed connection makes
// the machine send again.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	b := h.b
	if cl.Net.Inline {
		return pk, nil
	}
	if !mayPublish(b.credentials.Load(), string(cl.Properties.Username), b.o.Root, pk.TopicName) {
		b.metrics.refused.WithLabelValues("topic").Inc()
		return pk, packets.CodeSuccessIgnore
	}
	if !b.deliver(pk) {
		b.metrics.unacknowledged.Inc()
		cl.Stop(errNotStored)
		return pk, packets.ErrRejectPacket
	}
	if !strings.HasSuffix(pk.TopicName, "/status") || strings.Count(pk.TopicName, "/") != 3 {
		return pk, packets.CodeSuccessIgnore
	}
	pk.FixedHeader.Retain = pk.FixedHeader.Retain && b.mayRetain(pk)
	return pk, nil
}

func (b *Broker) mayRetain(pk packets.Packet) bool {
	if len(pk.Payload) > statusLimit {
		return false
	}
	_, known := b.server.Topics.Retained.Get(pk.TopicName)
	return known || b.server.Topics.Retained.Len() < b.o.MaxRetained
}

// deliver reports whether the message was acknowledged.
func (b *Broker) deliver(pk packets.Packet) bool {
	b.gate.RLock()
	if b.draining {
		b.gate.RUnlock()
		return false
	}
	b.pending.Add(1)
	b.gate.RUnlock()
	defer b.pending.Done()

	b.metrics.messages.Inc()
	b.metrics.bytes.Add(float64(len(pk.Payload)))
	began := time.Now()
	acked := make(chan struct{})
	var once sync.Once
	b.o.Handler(intake.Message{
		Topic: pk.TopicName, Payload: pk.Payload, Received: b.o.Now(),
		Ack: func() { once.Do(func() { close(acked) }) },
	})
	limit := time.NewTimer(b.o.AckLimit)
	defer limit.Stop()
	select {
	case <-acked:
		b.metrics.stored.Observe(time.Since(began).Seconds())
		return true
	case <-limit.C:
	case <-b.stopped:
	}
	select { // both may have come at once
	case <-acked:
		return true
	default:
		return false
	}
}

// OnWillSent hands on a last will. Nobody is left to send it again, so it is
// not waited for.
func (h *hook) OnWillSent(_ *mochi.Client, pk packets.Packet) {
	h.b.metrics.wills.Inc()
	h.b.o.Handler(intake.Message{Topic: pk.TopicName, Payload: pk.Payload, Received: h.b.o.Now(), Ack: func() {}})
}

// OnQosPublish forgets a PUBACK that is about to be written. The library keeps
// it if the write fails, and sends it on the next connection, where it can
// confirm another message with the same identifier before that is stored.
func (h *hook) OnQosPublish(cl *mochi.Client, pk packets.Packet, _ int64, _ int) {
	if pk.FixedHeader.Type == packets.Puback && cl.State.Inflight.Delete(pk.PacketID) {
		atomic.AddInt64(&h.b.server.Info.Inflight, -1)
	}
}
