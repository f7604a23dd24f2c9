package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"coilward/collector/intake"
)

// link is one connection and what belongs to it: acknowledgements of its
// messages mean nothing on another.
type link struct {
	c    *Client
	conn *conn
	paho paho.Client
	lost chan error // from the library, once its workers have stopped

	mu      sync.Mutex // guards acks, open, over; taking only grows while it is held
	acks    []paho.Message
	open    int           // messages not acknowledged
	acked   chan struct{} // acks is no longer empty
	over    bool          // nothing is taken any more
	taking  sync.WaitGroup
	working sync.WaitGroup
}

func newLink(c *Client, conn *conn, password string) *link {
	l := &link{c: c, conn: conn, lost: make(chan error, 1), acked: make(chan struct{}, 1)}
	o := c.pahoOptions(password)
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return l.conn, nil })
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { l.lost <- err })
	// What the broker kept may come before the answer to SUBSCRIBE.
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { l.take(m) })
	l.paho = paho.NewClient(o)
	return l
}

func (l *link) connect() error {
	l.working.Go(l.acknowledge)
	token := l.paho.Connect()
	token.Wait() // ends with the connect limit, or with the connection
	if err := token.Error(); err != nil {
		return fmt.Errorf("the broker refused the connection: %w; check user, password and the broker's log", err)
	}
	return nil
}

func (l *link) subscribe(ctx context.Context) error {
	filters := make(map[string]byte, len(l.c.o.Topics))
	for _, topic := range l.c.o.Topics {
		filters[topic] = 1
	}
	token := l.paho.SubscribeMultiple(filters, nil)
	limit := time.NewTimer(l.c.o.ConnectLimit)
	defer limit.Stop()
	select {
	case <-token.Done():
	case <-l.conn.ended:
		return l.lostReason()
	case <-limit.C:
		return fmt.Errorf("the broker did not answer the subscription within %v", l.c.o.ConnectLimit)
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("cannot subscribe: %w", err)
	}
	if t, ok := token.(*paho.SubscribeToken); ok {
		for topic, granted := range t.Result() {
			if granted == 0x80 {
				return fmt.Errorf("the broker refused the subscription to %s; allow user %q to read it", topic, l.c.o.User)
			}
			if granted == 0 {
				l.c.o.Logger.Warn().Str("topic", topic).Msg("the broker grants QoS 0 only: messages are lost whenever the connection is")
			}
		}
	}
	return nil
}

// take runs on the library's router goroutine. It waits only when the queue is
// full, and never longer than the connection lives.
func (l *link) take(m paho.Message) {
	l.mu.Lock()
	if l.over { // the library's router may outlive the connection a little
		l.mu.Unlock()
		return
	}
	l.taking.Add(1)
	l.mu.Unlock()
	defer l.taking.Done()
	l.c.metrics.received(len(m.Payload()), m.Duplicate())
	message := intake.Message{Topic: m.Topic(), Payload: m.Payload(), Received: l.c.o.Now(), Ack: func() {}}
	if m.Qos() > 0 {
		var once sync.Once
		message.Ack = func() { once.Do(func() { l.ack(m) }) }
		l.mu.Lock()
		l.open++
		l.mu.Unlock()
		l.c.metrics.unacknowledged.Inc()
	}
	select {
	case l.c.queue <- message:
	default:
		select {
		case l.c.queue <- message:
		case <-l.conn.ended: // not acknowledged: it comes again
		}
	}
}

// ack notes that m may be acknowledged; it does not wait for the network.
func (l *link) ack(m paho.Message) {
	l.mu.Lock()
	if l.open == 0 { // the connection is gone: m comes again on the next
		l.mu.Unlock()
		return
	}
	l.open--
	l.acks = append(l.acks, m)
	l.mu.Unlock()
	select {
	case l.acked <- struct{}{}:
	default:
	}
}

// acknowledge sends the PUBACKs until the connection ends.
func (l *link) acknowledge() {
	var batch []paho.Message
	for {
		select {
		case <-l.acked:
		case <-l.conn.ended:
			l.mu.Lock()
			l.c.metrics.unacknowledged.Sub(float64(l.open + len(l.acks)))
			l.open, l.acks = 0, nil
			l.mu.Unlock()
			return
		}
		l.mu.Lock()
		batch, l.acks = l.acks, batch[:0]
		l.mu.Unlock()
		for i, m := range batch {
			m.Ack() // returns once it is on its way, or the connection is gone
			l.c.metrics.unacknowledged.Dec()
			batch[i] = nil
		}
	}
}

// publish reports done false when the connection ended before the broker
// confirmed.
func (l *link) publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) (done bool, err error) {
	// Publish itself may wait for the writer; a dead connection frees it.
	token := l.paho.Publish(topic, qos, retained, payload)
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			select {
			case <-l.conn.ended:
				return false, nil
			default:
			}
			if errors.Is(err, paho.ErrNotConnected) {
				return false, nil
			}
			return true, fmt.Errorf("mqtt: publish to %s: %w", topic, err)
		}
		return true, nil
	case <-l.conn.ended:
		return false, nil
	case <-ctx.Done():
		return true, fmt.Errorf("mqtt: publish to %s: the broker did not confirm it: %w", topic, ctx.Err())
	}
}

// hangUp says DISCONNECT if it can within limit, then closes.
func (l *link) hangUp(limit time.Duration) {
	if l.paho.IsConnectionOpen() {
		l.paho.Disconnect(uint(limit / time.Millisecond))
	}
	l.conn.Close()
}

// end waits until nothing of the connection runs any more.
func (l *link) end() {
	l.conn.Close()
	l.mu.Lock()
	l.over = true
	l.mu.Unlock()
	l.taking.Wait()
	l.paho.Disconnect(0) // stops the library where it has not noticed the end itself
	l.working.Wait()
}

// lostReason is the library's reason, such as a ping without answer, or else
// the connection's own.
func (l *link) lostReason() error {
	own := l.conn.reason()
	limit := time.NewTimer(time.Second)
	defer limit.Stop()
	select {
	case err := <-l.lost:
		if errors.Is(own, errClosed) {
			return fmt.Errorf("connection lost: %w", err)
		}
	case <-limit.C:
	}
	return fmt.Errorf("connection lost: %w", own)
}
