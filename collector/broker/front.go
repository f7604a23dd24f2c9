package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// connectLimit is how long a connection may take to its CONNECT; the library
// sets no limit, so that anyone could hold connections for nothing.
const connectLimit = 15 * time.Second

// front is one listener of the broker. Unlike the library's own it outlives
// errors of Accept (a process out of file descriptors must not go deaf), bounds
// the number of connections, and knows every goroutine it started.
type front struct {
	id, protocol string
	listener     net.Listener
	limit        chan struct{} // shared between fronts; one place a connection
	metrics      *metrics
	maxPacket    int
	secure       *tls.Config

	mu      sync.Mutex // guards conns, closed
	conns   map[net.Conn]struct{}
	closed  bool
	serving sync.WaitGroup
	done    chan struct{}
	web     *http.Server
}

func (f *front) ID() string              { return f.id }
func (f *front) Protocol() string        { return f.protocol }
func (f *front) Address() string         { return f.listener.Addr().String() }
func (f *front) Init(*slog.Logger) error { return nil }

// accept returns the next connection for which there is a place. It fails only
// once the front is closed.
func (f *front) accept() (net.Conn, error) {
	pause := 5 * time.Millisecond
	for {
		c, err := f.listener.Accept()
		if err != nil {
			select {
			case <-f.done:
				return nil, net.ErrClosed
			default:
			}
			f.metrics.acceptErrors.Inc()
			timer := time.NewTimer(pause)
			select {
			case <-timer.C:
			case <-f.done:
				timer.Stop()
				return nil, net.ErrClosed
			}
			pause = min(2*pause, time.Second)
			continue
		}
		pause = 5 * time.Millisecond
		select {
		case f.limit <- struct{}{}:
		default:
			f.metrics.refused.WithLabelValues("full").Inc()
			c.Close()
			continue
		}
		if tracked, ok := f.track(c); ok {
			_ = tracked.SetDeadline(time.Now().Add(connectLimit)) // fails on a dead connection only
			if f.secure != nil {
				return tls.Server(tracked, f.secure), nil
			}
			return tracked, nil
		}
		return nil, net.ErrClosed
	}
}

// webListener is a front as net/http sees it. Closing is the front's business.
type webListener struct{ f *front }

func (l webListener) Accept() (net.Conn, error) { return l.f.accept() }
func (l webListener) Addr() net.Addr            { return l.f.listener.Addr() }
func (l webListener) Close() error              { return nil }

// tracked gives its place back when closed.
type tracked struct {
	net.Conn
	f    *front
	once sync.Once
}

func (t *tracked) Close() error {
	err := t.Conn.Close()
	t.once.Do(func() {
		t.f.mu.Lock()
		delete(t.f.conns, t)
		t.f.mu.Unlock()
		<-t.f.limit
		t.f.metrics.connections.Dec()
	})
	return err
}

func (f *front) track(c net.Conn) (net.Conn, bool) {
	t := &tracked{Conn: c, f: f}
	f.metrics.connections.Inc()
	f.mu.Lock()
	closed := f.closed
	if !closed {
		f.conns[t] = struct{}{}
	}
	f.mu.Unlock()
	if closed {
		t.Close()
		return nil, false
	}
	return t, true
}

// Serve hands connections to the broker until Close.
func (f *front) Serve(establish listeners.EstablishFn) {
	if f.web != nil {
		f.web.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { f.upgrade(w, r, establish) })
		_ = f.web.Serve(webListener{f}) // ends with Close only
		return
	}
	for {
		c, err := f.accept()
		if err != nil {
			return
		}
		f.start(func() {
			defer c.Close()
			_ = establish(f.id, c) // the broker has counted and logged it
		})
	}
}

// start runs serve as a goroutine that Close waits for.
func (f *front) start(serve func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.closed {
		f.serving.Go(serve)
	}
}

var upgrader = websocket.Upgrader{
	Subprotocols: []string{"mqtt"},
	// Credentials are in CONNECT, not in cookies: another site's page has none.
	CheckOrigin: func(*http.Request) bool { return true },
}

func (f *front) upgrade(w http.ResponseWriter, r *http.Request, establish listeners.EstablishFn) {
	ws, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // the answer has been given
	}
	defer ws.Close()
	ws.SetReadLimit(int64(f.maxPacket) + 64<<10)
	_ = ws.NetConn().SetDeadline(time.Now().Add(connectLimit))
	f.mu.Lock()
	if f.closed {
		f.mu.Unlock()
		return
	}
	f.serving.Add(1)
	f.mu.Unlock()
	defer f.serving.Done()
	_ = establish(f.id, &wsConn{Conn: ws.NetConn(), ws: ws})
}

// Close stops listening, lets the broker end its clients, closes what is left
// and waits for all of it.
func (f *front) Close(end listeners.CloseFn) {
	f.mu.Lock()
	if f.closed {
		f.mu.Unlock()
		return
	}
	f.closed = true
	f.mu.Unlock()
	close(f.done)
	f.listener.Close()
	end(f.id)
	f.mu.Lock()
	left := make([]net.Conn, 0, len(f.conns))
	for c := range f.conns {
		left = append(left, c)
	}
	f.mu.Unlock()
	for _, c := range left {
		c.Close()
	}
	if f.web != nil {
		_ = f.web.Shutdown(context.Background()) // nothing is open any more
	}
	f.serving.Wait()
}

// wsConn is a stream over binary WebSocket messages (MQTT 3.1.1, chapter 6).
type wsConn struct {
	net.Conn
	ws *websocket.Conn
	r  io.Reader
}

func (w *wsConn) Read(p []byte) (int, error) {
	for {
		if w.r == nil {
			kind, r, err := w.ws.NextReader()
			if err != nil {
				return 0, err
			}
			if kind != websocket.BinaryMessage {
				return 0, errors.New("text message where MQTT needs binary")
			}
			w.r = r
		}
		n, err := w.r.Read(p)
		if err == io.EOF {
			w.r, err = nil, nil
			if n == 0 {
				continue
			}
		}
		return n, err
	}
}

func (w *wsConn) Write(p []byte) (int, error) {
	if err := w.ws.WriteMessage(websocket.BinaryMessage, p); err != nil {
		return 0, err
	}
	return len(p), nil
}
