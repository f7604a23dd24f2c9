// Package porttest finds ports for the servers that tests start as programs of
// their own, which have to be told theirs beforehand.
package porttest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
)

// first and last bound the ports that are given. They lie below those that an
// operating system gives to whoever asks for any port (from 32768 on under
// Linux, from 49152 on by RFC 6335, section 6): a port of those can be taken by
// any connection that a test elsewhere opens before the server is up.
const first, last = 10_000, 32_000

var (
	mu    sync.Mutex
	given = map[int]bool{} // guarded by mu
)

// Free returns a port of 127.0.0.1 on which nobody listens, another one at every call.
func Free(t testing.TB) int {
	t.Helper()
	return free(t, func() int { return first + rand.IntN(last-first+1) })
}

// Address returns 127.0.0.1 with a port of Free.
func Address(t testing.TB) string {
	t.Helper()
	return address(Free(t))
}

func address(port int) string { return fmt.Sprintf("127.0.0.1:%d", port) }

// free returns the first port drawn that will do.
func free(t testing.TB, draw func() int) int {
	t.Helper()
	mu.Lock()
	defer mu.Unlock()
	for range 1000 {
		port := draw()
		if given[port] {
			continue
		}
		l, err := net.Listen("tcp", address(port))
		if err != nil {
			continue // somebody has it
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		given[port] = true
		return port
	}
	t.Fatalf("no port between %d and %d of 127.0.0.1 is free", first, last)
	return 0
}
