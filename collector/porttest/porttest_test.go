package porttest

import (
	"fmt"
	"net"
	"os"
	"testing"
)

// No connection that asks for any port gets one that is given, where the system
// tells which it hands out.
func TestPortsAreNotHandedOut(t *testing.T) {
	text, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range")
	if err != nil {
		t.Skip("this system does not tell the ports it hands out")
	}
	var from, to int
	if _, err := fmt.Sscan(string(text), &from, &to); err != nil {
		t.Fatal(err)
	}
	if from <= first {
		t.Skipf("this system hands out nearly all ports, from %d to %d", from, to)
	}
	for range 500 {
		if port := Free(t); port >= from && port <= to {
			t.Fatalf("port %d is one of %d to %d", port, from, to)
		}
	}
}

// A port that was given, or that somebody listens on, is passed over.
func TestTakenPortIsPassedOver(t *testing.T) {
	before, taken, want := Free(t), Free(t), Free(t)
	mu.Lock()
	delete(given, taken)
	delete(given, want)
	mu.Unlock()
	l, err := net.Listen("tcp", address(taken))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	draws := []int{before, taken, want}
	got := free(t, func() int {
		port := draws[0]
		draws = draws[1:]
		return port
	})
	if got != want {
		t.Errorf("port %d, want %d: %d was given before and somebody listens on %d", got, want, before, taken)
	}
}
