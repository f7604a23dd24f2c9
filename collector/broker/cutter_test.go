package broker_test

import (
	"io"
	"net"
	"sync"
	"testing"
)

// cutter passes one TCP connection on, until it is cut.
type cutter struct {
	l  net.Listener
	mu sync.Mutex // guards in, out
	in net.Conn
	to net.Conn
}

func newCutter(t *testing.T, target string) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{l: l}
	var wg sync.WaitGroup
	wg.Go(func() {
		in, err := l.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", target)
		if err != nil {
			in.Close()
			return
		}
		c.mu.Lock()
		c.in, c.to = in, to
		c.mu.Unlock()
		wg.Go(func() { io.Copy(to, in); to.Close() })
		io.Copy(in, to)
		in.Close()
	})
	t.Cleanup(func() { l.Close(); c.cut(); wg.Wait() })
	return c
}

func (c *cutter) address() string { return c.l.Addr().String() }

func (c *cutter) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.in != nil {
		c.in.Close()
		c.to.Close()
	}
}
