package mqtt_test

import (
	"net"
	"sync"
	"testing"
)

// proxy passes TCP on and breaks it as asked.
type proxy struct {
	target   string
	listener net.Listener

	mu    sync.Mutex // guards conns, stall
	conns []net.Conn
	stall chan struct{} // not nil: nothing passes until it is closed
	wg    sync.WaitGroup
}

func newProxy(t *testing.T, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{target: target, listener: l}
	p.wg.Go(p.serve)
	t.Cleanup(func() {
		l.Close()
		p.resume()
		p.cut()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) url() string { return "tcp://" + p.listener.Addr().String() }

func (p *proxy) serve() {
	for {
		in, err := p.listener.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", p.target)
		if err != nil {
			in.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, in, out)
		p.mu.Unlock()
		p.wg.Go(func() { p.pass(out, in) })
		p.wg.Go(func() { p.pass(in, out) })
	}
}

func (p *proxy) pass(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		stall := p.stall
		p.mu.Unlock()
		if stall != nil {
			<-stall
		}
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// cut resets every connection.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		if tcp, ok := c.(*net.TCPConn); ok {
			tcp.SetLinger(0)
		}
		c.Close()
	}
	p.conns = nil
}

// freeze lets connections stay open while nothing passes, as when a router
// forgets them: half-open at both ends.
func (p *proxy) freeze() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stall = make(chan struct{})
}

func (p *proxy) resume() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.stall != nil {
		close(p.stall)
		p.stall = nil
	}
}
