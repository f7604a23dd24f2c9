package mqtt

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"coilward/collector/intake"
)

// State is the connection as readyz and the board tell it.
type State struct {
	Connected bool
	Since     time.Time // connected since, or not connected since
	Err       string    // why not, for people; "" while connected
	Broker    string    // the address
}

// Client is one session at one broker.
type Client struct {
	o       Options
	metrics *metrics
	queue   chan intake.Message

	mu      sync.Mutex // guards state, link, changed
	state   State
	link    *link
	changed chan struct{} // closed when link changes
}

// New makes a client. It does nothing until Run.
func New(o Options) (*Client, error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if o.Handler == nil || o.Now == nil {
		return nil, errors.New("mqtt: Handler and Now must be set")
	}
	c := &Client{
		o: o, metrics: newMetrics(o.Registerer), queue: make(chan intake.Message, o.Queue),
		changed: make(chan struct{}),
	}
	c.state = State{Since: o.Now().Time(), Err: "not connected yet", Broker: o.Broker}
	return c, nil
}

// State returns the connection's state.
func (c *Client) State() State {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.state
}

func (c *Client) setLink(l *link, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	connected := l != nil
	if connected != c.state.Connected {
		c.state.Since = c.o.Now().Time()
	}
	c.state.Connected, c.state.Err = connected, ""
	if err != nil {
		c.state.Err = err.Error()
	}
	c.link = l
	close(c.changed)
	c.changed = make(chan struct{})
	c.metrics.setConnected(connected)
}

// Run connects, and connects again whenever the connection ends, until ctx is
// done; it then says good-bye to the broker and returns nil. What waits for
// the handler is handed on first: QoS 0 messages would not come again.
func (c *Client) Run(ctx context.Context) error {
	var handling sync.WaitGroup
	handling.Go(func() {
		for m := range c.queue {
			c.o.Handler(m)
		}
	})
	defer handling.Wait()
	defer close(c.queue)

	backOff := c.o.MinBackOff
	for first := true; ; first = false {
		if !first {
			c.metrics.reconnects.Inc()
		}
		began := time.Now()
		err := c.session(ctx)
		if ctx.Err() != nil {
			c.setLink(nil, errors.New("stopped"))
			return nil
		}
		c.setLink(nil, err)
		// Two clients with one id throw each other out in turn; a connection
		// that did not last must not be followed at once by the next.
		if time.Since(began) > c.o.MaxBackOff {
			backOff = c.o.MinBackOff
		}
		wait := backOff/2 + rand.N(backOff/2+1)
		c.o.Logger.Warn().Err(err).Str("broker", c.o.Broker).Str("next_try_in", wait.Round(time.Millisecond).String()).Msg("no connection to the broker")
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
		backOff = min(2*backOff, c.o.MaxBackOff)
	}
}

// session is one connection, from dialling to its end; the error says why it
// ended. A library client serves one connection only: its own reconnecting
// completes the tokens of messages that were not acknowledged.
func (c *Client) session(ctx context.Context) error {
	password, err := c.o.password()
	if err != nil {
		return err
	}
	raw, err := c.o.dial(ctx)
	if err != nil {
		return fmt.Errorf("cannot reach the broker: %w", err)
	}
	l := newLink(c, newConn(raw, c.o.Gather, c.o.WriteLimit), password)
	defer l.conn.wg.Wait()
	defer l.conn.Close()
	stop := context.AfterFunc(ctx, func() { l.hangUp(100 * time.Millisecond) })
	defer stop()

	defer l.end()
	if err := l.connect(); err != nil {
		return err
	}
	if err := l.subscribe(ctx); err != nil {
		return err
	}
	c.setLink(l, nil)
	c.o.Logger.Info().Str("broker", c.o.Broker).Msg("connected to the broker")
	<-l.conn.ended
	return l.lostReason()
}

// Publish hands a message to the broker and returns once the broker has taken
// it: for QoS 1 when its PUBACK is here, for QoS 0 when it is written. Without
// a connection it waits for one; a connection that ends before the PUBACK
// makes it send again, so that the broker may get the message twice.
func (c *Client) Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error {
	if qos > 1 {
		return fmt.Errorf("mqtt: publish to %s: QoS %d is not supported; use 0 or 1", topic, qos)
	}
	for {
		c.mu.Lock()
		l, changed := c.link, c.changed
		c.mu.Unlock()
		if l == nil {
			select {
			case <-changed:
				continue
			case <-ctx.Done():
				return fmt.Errorf("mqtt: publish to %s: no connection to the broker: %w", topic, ctx.Err())
			}
		}
		done, err := l.publish(ctx, topic, qos, retained, payload)
		if done {
			if err == nil {
				c.metrics.published.Inc()
			}
			return err
		}
		select { // the connection has ended: wait until that has been noticed
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("mqtt: publish to %s: the broker did not confirm it: %w", topic, ctx.Err())
		}
	}
}

func (c *Client) pahoOptions(password string) *paho.ClientOptions {
	o := paho.NewClientOptions().AddBroker(c.o.Broker)
	o.SetClientID(c.o.ClientID).SetUsername(c.o.User).SetPassword(password)
	o.SetProtocolVersion(4).SetCleanSession(false)
	o.SetAutoReconnect(false).SetConnectRetry(false).SetResumeSubs(false)
	o.SetKeepAlive(c.o.KeepAlive).SetPingTimeout(c.o.PingTimeout)
	o.SetConnectTimeout(c.o.ConnectLimit).SetWriteTimeout(c.o.WriteLimit)
	o.SetAutoAckDisabled(true)
	// One machine's online and offline must not overtake each other. The
	// router goroutine is kept free by the queue.
	o.SetOrderMatters(true)
	return o
}
