package mqtt

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// conn is the network connection under the library. The library reads a few
// bytes at a time and writes every acknowledgement by itself; conn reads
// ahead, and gathers what is written for a moment, which more than halves the
// cost of a message. It also says at once when it ends, and why: the library
// says so only after the handler has let go of it.
type conn struct {
	net.Conn
	r          *bufio.Reader
	gather     time.Duration
	writeLimit time.Duration

	writing sync.Mutex // held while the network is written to

	mu    sync.Mutex // guards out, err
	out   []byte
	err   error
	wake  chan struct{} // out is no longer empty
	room  chan struct{} // out was taken away
	ended chan struct{}
	once  sync.Once
	wg    sync.WaitGroup
}

// outLimit bounds what waits to be written; beyond it writers wait.
const outLimit = 64 << 10

func newConn(raw net.Conn, gather, writeLimit time.Duration) *conn {
	c := &conn{
		Conn: raw, r: bufio.NewReaderSize(raw, 64<<10), gather: gather, writeLimit: writeLimit,
		wake: make(chan struct{}, 1), room: make(chan struct{}, 1), ended: make(chan struct{}),
	}
	c.wg.Go(c.flush)
	return c
}

func (c *conn) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if err != nil {
		c.fail(err)
	}
	return n, err
}

func (c *conn) Write(p []byte) (int, error) {
	for {
		c.mu.Lock()
		if c.err != nil {
			c.mu.Unlock()
			return 0, c.err
		}
		if len(c.out) < outLimit {
			c.out = append(c.out, p...)
			c.mu.Unlock()
			select {
			case c.wake <- struct{}{}:
			default:
			}
			return len(p), nil
		}
		c.mu.Unlock()
		select {
		case <-c.room:
		case <-c.ended:
		}
	}
}

// flush writes what has gathered, until the connection ends.
func (c *conn) flush() {
	var taken []byte
	for {
		select {
		case <-c.wake:
		case <-c.ended:
			return
		}
		if c.gather > 0 {
			select {
			case <-time.After(c.gather):
			case <-c.ended: // what gathered last, the DISCONNECT, was written by Close
				return
			}
		}
		c.mu.Lock()
		taken, c.out = c.out, taken[:0]
		c.mu.Unlock()
		select {
		case c.room <- struct{}{}:
		default:
		}
		c.writing.Lock()
		err := c.write(taken, c.writeLimit)
		c.writing.Unlock()
		if err != nil {
			c.fail(err)
			return
		}
	}
}

// SetWriteDeadline does nothing: writes only gather, and what writes to the
// network has a limit of its own.
func (c *conn) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline limits reads.
func (c *conn) SetDeadline(t time.Time) error { return c.Conn.SetReadDeadline(t) }

func (c *conn) write(p []byte, limit time.Duration) error {
	if len(p) == 0 {
		return nil
	}
	if err := c.Conn.SetWriteDeadline(time.Now().Add(limit)); err != nil {
		return err
	}
	_, err := c.Conn.Write(p)
	return err
}

// fail ends the connection; the first error is the one that is told.
func (c *conn) fail(err error) {
	c.once.Do(func() {
		c.mu.Lock()
		c.err = err
		c.mu.Unlock()
		close(c.ended)
		c.Conn.Close()
	})
}

// errClosed is the reason when this side ended the connection.
var errClosed = errors.New("connection closed by coilward")

// Close writes what is left, within a short time, and ends the connection.
func (c *conn) Close() error {
	c.once.Do(func() {
		c.mu.Lock()
		c.err = errClosed
		last := c.out
		c.out = nil
		c.mu.Unlock()
		close(c.ended)
		// A write that is under way is stuck or ends this connection with half
		// a packet: then nothing more can be said.
		if c.writing.TryLock() {
			_ = c.write(last, 100*time.Millisecond) // the connection may be dead already
			c.writing.Unlock()
		}
		c.Conn.Close()
	})
	return nil
}

// reason is why the connection ended.
func (c *conn) reason() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

// dial opens the connection to the broker. It ends with ctx.
func (o *Options) dial(ctx context.Context) (net.Conn, error) {
	u, err := url.Parse(o.Broker)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, o.ConnectLimit)
	defer cancel()
	var secure *tls.Config
	if u.Scheme == "tls" || u.Scheme == "wss" {
		if secure, err = o.TLS.config(u.Hostname()); err != nil {
			return nil, err
		}
	}
	switch u.Scheme {
	case "ws", "wss":
		return paho.NewWebsocket(u.String(), secure, o.ConnectLimit, http.Header{}, nil)
	case "tls":
		return (&tls.Dialer{Config: secure}).DialContext(ctx, "tcp", u.Host)
	default:
		return (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	}
}
