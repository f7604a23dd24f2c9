package main

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/collector"
	"coilward/collector/broker"
	"coilward/collector/intake"
	"coilward/collector/mqtt"
)

// people is where messages are published in these tests.
const people = "cabinets/people/ana/alerts"

// told is what a subscriber reads of a message to people.
type told struct {
	Key   string `json:"key"`
	Again bool   `json:"maybe_sent_before"`
	Text  string `json:"text"`
}

// testBroker is the embedded broker on a loopback address, which gives what clients
// publish to heard; stop ends it.
func testBroker(t *testing.T, heard chan told) (b *broker.Broker, stop func()) {
	t.Helper()
	o := broker.Defaults()
	o.Listen, o.Logger = "127.0.0.1:0", zerolog.Nop()
	o.Now = func() collector.Millis { return 1_782_864_000_000 }
	o.Handler = func(m intake.Message) {
		var x told
		if m.Topic == people && json.Unmarshal(m.Payload, &x) == nil {
			heard <- x
		}
		m.Ack()
	}
	b, err := broker.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	ended := false
	stop = func() {
		if ended {
			return
		}
		ended = true
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	return b, stop
}

// listener subscribes to a topic at the broker.
func listener(t *testing.T, b *broker.Broker, topic string) <-chan told {
	t.Helper()
	out := make(chan told, 100)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + b.Addresses()["tcp"]).SetClientID("screen").SetAutoReconnect(false))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("cannot connect", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	tok := c.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
		var x told
		if err := json.Unmarshal(m.Payload(), &x); err != nil {
			t.Errorf("%s: %v", m.Payload(), err)
		}
		out <- x
	})
	if !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("cannot subscribe", tok.Error())
	}
	return out
}

func receive(t *testing.T, from <-chan told) told {
	t.Helper()
	select {
	case x := <-from:
		return x
	case <-time.After(20 * time.Second):
		t.Fatal("nothing came")
		return told{}
	}
}

// outbox is a ledger with a loop that sends what is put into it over MQTT.
func outbox(t *testing.T, p notify.Publisher) (l *ledger.Ledger, put func(key string)) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Path: filepath.Join(t.TempDir(), "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	loop, err := notify.NewLoop(notify.LoopOptions{Outbox: l, Senders: map[string]notify.Sender{"mqtt": notify.MQTT{Publisher: p, Timeout: 200 * time.Millisecond}},
		First: 50 * time.Millisecond, Longest: 200 * time.Millisecond, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- loop.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		l.Close()
	})
	return l, func(key string) {
		now := time.Now()
		if err := l.Put(t.Context(), ledger.Message{Key: key, Person: "ana", Channel: "mqtt", To: people, Priority: alerts.High, Text: "text of " + key, Made: now, Due: now}); err != nil {
			t.Error(err)
		}
		loop.Wake()
	}
}

// proxy hands connections on to where it is told. cut ends all there are, and hands
// none on until it is told again.
type proxy struct {
	ln net.Listener
	wg sync.WaitGroup

	mu    sync.Mutex
	to    string     // guarded by mu; "": nowhere
	conns []net.Conn // guarded by mu
}

func newProxy(t *testing.T) *proxy {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{ln: ln}
	p.wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			p.wg.Go(func() { p.serve(c) })
		}
	})
	t.Cleanup(func() { ln.Close(); p.cut(); p.wg.Wait() })
	return p
}

func (p *proxy) serve(c net.Conn) {
	defer c.Close()
	p.mu.Lock()
	to := p.to
	p.mu.Unlock()
	if to == "" {
		return
	}
	b, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer b.Close()
	p.mu.Lock()
	p.conns = append(p.conns, c, b)
	p.mu.Unlock()
	p.wg.Go(func() {
		_, _ = io.Copy(c, b)
		c.Close()
	})
	_, _ = io.Copy(b, c)
}

func (p *proxy) set(to string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.to = to
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.to = ""
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// until reads the outbox until a message is as it should be.
func until(t *testing.T, l *ledger.Ledger, key string, is func(ledger.Message) bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		ms, err := l.MessagesOf(t.Context(), "")
		if err != nil {
			t.Fatal(err)
		}
		if slices.ContainsFunc(ms, func(m ledger.Message) bool { return m.Key == key && is(m) }) {
			return
		}
	}
	t.Fatalf("message %s did not come to be as it should", key)
}

// TestAlertsOverTheEmbeddedBroker: a message to people reaches a subscriber of the
// broker that the machines use, once, with its key.
func TestAlertsOverTheEmbeddedBroker(t *testing.T) {
	b, _ := testBroker(t, nil)
	heard := listener(t, b, people)
	l, put := outbox(t, b)
	for _, key := range []string{"one", "two", "three"} {
		put(key)
		if x := receive(t, heard); x.Key != key || x.Text != "text of "+key || x.Again {
			t.Errorf("%s came as %+v", key, x)
		}
		put(key) // the same key is the same message
	}
	put("last")
	if x := receive(t, heard); x.Key != "last" {
		t.Errorf("something came twice: %+v", x)
	}
	if dead, err := l.Undelivered(t.Context(), 10); err != nil || len(dead) != 0 {
		t.Errorf("%+v, %v", dead, err)
	}
}

// TestAlertsOutliveTheBroker: the broker is gone when something must be told, and
// comes back: nothing is lost, and what may come twice says so.
func TestAlertsOutliveTheBroker(t *testing.T) {
	heard := make(chan told, 100)
	b, stop := testBroker(t, heard)
	between := newProxy(t)
	between.set(b.Addresses()["tcp"])
	o := mqtt.Defaults()
	o.Broker, o.Logger = "tcp://"+between.ln.Addr().String(), zerolog.Nop()
	o.MinBackOff, o.MaxBackOff = 10*time.Millisecond, 50*time.Millisecond
	o.Now = func() collector.Millis { return 1_782_864_000_000 }
	o.Handler = func(m intake.Message) { m.Ack() }
	client, err := mqtt.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- client.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil && ctx.Err() == nil {
			t.Error(err)
		}
	})
	l, put := outbox(t, client)
	put("before")
	if x := receive(t, heard); x.Key != "before" || x.Again {
		t.Errorf("%+v", x)
	}
	until(t, l, "before", func(m ledger.Message) bool { return m.State == "sent" })
	between.cut()
	stop()
	put("while it was gone")
	until(t, l, "while it was gone", func(m ledger.Message) bool { return m.Error != "" }) // one attempt has failed
	b, _ = testBroker(t, heard)
	between.set(b.Addresses()["tcp"])
	if x := receive(t, heard); x.Key != "while it was gone" || !x.Again {
		t.Errorf("%+v, want it, said to be maybe a second", x)
	}
	put("after")
	for x := receive(t, heard); x.Key != "after"; x = receive(t, heard) {
		if !x.Again {
			t.Errorf("doubled without saying so: %+v", x)
		}
	}
}
