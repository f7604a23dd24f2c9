package broker_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"coilward/collector/broker"
	"coilward/collector/intake"
)

// BenchmarkStore is the path of a message from 200 machines through a group
// commit of 5 ms, as a disk takes it, to its PUBACK; an operation is a message.
func BenchmarkStore(b *testing.B) {
	var mu sync.Mutex
	var waiting []func()
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			select {
			case <-time.After(5 * time.Millisecond):
			case <-stop:
				return
			}
			mu.Lock()
			acks := waiting
			waiting = nil
			mu.Unlock()
			for _, ack := range acks {
				ack()
			}
		}
	}()
	defer func() { close(stop); <-stopped }()
	br, _ := start(b, func(o *broker.Options) {
		o.Handler = func(m intake.Message) { mu.Lock(); waiting = append(waiting, m.Ack); mu.Unlock() }
	})
	payload := make([]byte, 394)
	const machines = 200
	publish := make(chan struct{})
	var wg sync.WaitGroup
	for i := range machines {
		c := must(b)(machine(b, br, fmt.Sprint("cab-", i), nil))
		topic := fmt.Sprintf("cabinets/oakmill/cab-%d/readings", i)
		wg.Go(func() {
			for range publish {
				c.Publish(topic, 1, false, payload).Wait()
			}
		})
	}
	b.ReportAllocs()
	for b.Loop() {
		publish <- struct{}{}
	}
	close(publish)
	wg.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
}
