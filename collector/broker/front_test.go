package broker

import (
	"errors"
	"net"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// flaky fails to accept twice, as when file descriptors run out.
type flaky struct {
	net.Listener
	failures int
}

func (f *flaky) Accept() (net.Conn, error) {
	if f.failures > 0 {
		f.failures--
		return nil, errors.New("too many open files")
	}
	return f.Listener.Accept()
}

func TestListenerOutlivesErrorsAndBoundsConnections(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &front{
		id: "tcp", listener: &flaky{Listener: l, failures: 2}, limit: make(chan struct{}, 1),
		metrics: newMetrics(nil), conns: map[net.Conn]struct{}{}, done: make(chan struct{}),
	}
	established := make(chan net.Conn)
	served := make(chan struct{})
	go func() {
		defer close(served)
		f.Serve(func(_ string, c net.Conn) error { established <- c; _, err := c.Read(make([]byte, 1)); return err })
	}()
	first, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	<-established
	if n := testutil.ToFloat64(f.metrics.acceptErrors); n != 2 {
		t.Errorf("%v accept errors counted, want 2", n)
	}
	second, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if _, err := second.Read(make([]byte, 1)); err == nil {
		t.Error("a connection beyond the limit was kept")
	}
	f.Close(func(string) {})
	<-served
	if n := testutil.ToFloat64(f.metrics.connections); n != 0 {
		t.Errorf("%v connections left after Close", n)
	}
}

func TestFilterCovers(t *testing.T) {
	for _, c := range []struct {
		granted, filter string
		want            bool
	}{
		{"a/b/#", "a/b/c", true}, {"a/b/#", "a/b/#", true}, {"a/b/#", "a/#", false}, {"a/+/c", "a/b/c", true},
		{"a/+/c", "a/#", false}, {"a/b/c", "a/+/c", false}, {"#", "$SYS/x", false}, {"#", "a", true}, {"a/b", "a/b/c", false},
	} {
		if got := covers(c.granted, c.filter); got != c.want {
			t.Errorf("covers(%q, %q) = %v", c.granted, c.filter, got)
		}
	}
}
