package mqtt_test

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"coilward/collector"
	"coilward/collector/broker"
	"coilward/collector/intake"
	"coilward/collector/mqtt"
	"coilward/collector/porttest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what must come; it is no measure.
const patience = 20 * time.Second

func now() collector.Millis { return collector.MillisOf(time.Now()) }

// startBroker runs an embedded broker until the test ends.
func startBroker(t *testing.T, change func(*broker.Options)) *broker.Broker {
	t.Helper()
	o := broker.Defaults()
	o.Listen, o.Now, o.Logger = "127.0.0.1:0", now, zerolog.Nop()
	o.Handler = func(m intake.Message) { m.Ack() }
	if change != nil {
		change(&o)
	}
	b, err := broker.New(o)
	if err != nil {
		t.Fatal(err)
	}
	run(t, b.Run)
	return b
}

// run runs a component until the test ends or the returned function is called.
func run(t *testing.T, f func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Errorf("Run does not end")
		}
	}
	t.Cleanup(stop)
	return stop
}

func clientOptions(url string, handler intake.Handler) mqtt.Options {
	o := mqtt.Defaults()
	o.Broker, o.Handler, o.Now, o.Logger = url, handler, now, zerolog.Nop()
	o.KeepAlive, o.PingTimeout = time.Second, 500*time.Millisecond
	o.ConnectLimit = 2 * time.Second
	o.MinBackOff, o.MaxBackOff = 10*time.Millisecond, 50*time.Millisecond
	return o
}

func startClient(t *testing.T, o mqtt.Options) (*mqtt.Client, func()) {
	t.Helper()
	c, err := mqtt.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c, run(t, c.Run)
}

func publish(t *testing.T, p interface {
	Publish(context.Context, string, byte, bool, []byte) error
}, topic, payload string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	if err := p.Publish(ctx, topic, 1, false, []byte(payload)); err != nil {
		t.Fatal(err)
	}
}

func receive(t *testing.T, messages <-chan intake.Message) intake.Message {
	t.Helper()
	select {
	case m := <-messages:
		return m
	case <-time.After(patience):
		t.Fatal("no message came")
		panic("unreachable")
	}
}

// await polls a state that no channel tells.
func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); {
		if time.Now().After(end) {
			t.Fatalf("never happened: %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func connected(c *mqtt.Client) func() bool { return func() bool { return c.State().Connected } }

func TestUnacknowledgedMessageComesAgain(t *testing.T) {
	b := startBroker(t, nil)
	p := newProxy(t, b.Addresses()["tcp"])
	messages := make(chan intake.Message, 100)
	registry := prometheus.NewPedanticRegistry()
	o := clientOptions(p.url(), func(m intake.Message) { messages <- m })
	o.Registerer = registry
	c, _ := startClient(t, o)
	await(t, "connected", connected(c))

	const n = 5
	var got [n]intake.Message
	for i := range n {
		publish(t, b, "cabinets/oakmill/cab-1/status", fmt.Sprint(i))
	}
	for i := range n {
		if got[i] = receive(t, messages); string(got[i].Payload) != fmt.Sprint(i) {
			t.Fatalf("out of order: %q is number %d", got[i].Payload, i)
		}
	}
	for _, m := range got[:n-1] {
		m.Ack()
		m.Ack() // twice is once
	}
	await(t, "all but the last acknowledged", func() bool { return unacknowledged(t, registry) == 1 })
	// What is written behind the acknowledgements arrives behind them.
	publish(t, c, "cabinets/oakmill/cab-1/readings", "[]")
	p.cut()
	again := receive(t, messages)
	if string(again.Payload) != "4" {
		t.Fatalf("got %q again, want only the one not acknowledged", again.Payload)
	}
	got[n-1].Ack() // of a connection that is gone: must neither block nor panic
	again.Ack()
	await(t, "all acknowledged", func() bool { return unacknowledged(t, registry) == 0 })
	if problems, err := testutil.GatherAndLint(registry); err != nil || len(problems) > 0 {
		t.Errorf("metrics: %v %v", problems, err)
	}
}

func unacknowledged(t *testing.T, r *prometheus.Registry) float64 {
	t.Helper()
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "coilward_mqtt_unacknowledged_messages" {
			return f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	t.Fatal("no metric")
	return 0
}

// A connection that is open but dead is noticed by the ping, even while the
// handler does not return and the queue is full.
func TestHalfOpenConnectionIsReplaced(t *testing.T) {
	b := startBroker(t, nil)
	p := newProxy(t, b.Addresses()["tcp"])
	messages, release := make(chan intake.Message, 100), make(chan struct{})
	o := clientOptions(p.url(), func(m intake.Message) { <-release; messages <- m })
	o.Queue = 1
	c, _ := startClient(t, o)
	await(t, "connected", connected(c))
	for i := range 4 {
		publish(t, b, "cabinets/oakmill/cab-1/status", fmt.Sprint(i))
	}
	p.freeze()
	await(t, "loss noticed", func() bool { return !c.State().Connected })
	if c.State().Err == "" {
		t.Error("no reason is given for the lost connection")
	}
	p.cut()
	p.resume()
	// What comes again would fill the queue before the subscription is answered.
	close(release)
	await(t, "connected again", connected(c))
	seen := map[string]bool{}
	for len(seen) < 4 {
		m := receive(t, messages)
		seen[string(m.Payload)] = true
		m.Ack()
	}
}

// Publish returns only when the broker has confirmed, over a lost connection
// too; the library alone reports success without.
func TestPublishWaitsForTheBroker(t *testing.T) {
	hold, arrived := make(chan struct{}), make(chan intake.Message, 100)
	b := startBroker(t, func(o *broker.Options) {
		o.Handler = func(m intake.Message) {
			arrived <- m
			select {
			case <-hold:
				m.Ack()
			default:
			}
		}
	})
	p := newProxy(t, b.Addresses()["tcp"])
	c, _ := startClient(t, clientOptions(p.url(), func(m intake.Message) { m.Ack() }))
	done := make(chan error, 1)
	go func() { done <- c.Publish(t.Context(), "cabinets/oakmill/cab-1/readings", 1, false, []byte("x")) }()
	receive(t, arrived)
	p.cut() // before the PUBACK
	receive(t, arrived)
	select {
	case err := <-done:
		t.Fatalf("Publish returned %v before the broker confirmed", err)
	default:
	}
	close(hold)
	p.cut()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	p.listener.Close()
	p.cut()
	await(t, "disconnected", func() bool { return !c.State().Connected })
	if err := c.Publish(ctx, "cabinets/oakmill/cab-1/readings", 1, false, nil); err == nil {
		t.Error("Publish without a connection gives no error")
	}
}

// lines gives a test what is logged, a line at a time.
type lines chan string

func (l lines) Write(p []byte) (int, error) {
	select {
	case l <- string(p):
	default:
	}
	return len(p), nil
}

// The wait until the next attempt is logged with its unit.
func TestNextTryIsSaidWithItsUnit(t *testing.T) {
	o, said := clientOptions("tcp://"+porttest.Address(t), func(m intake.Message) { m.Ack() }), make(lines, 1)
	o.Logger = zerolog.New(said)
	startClient(t, o)
	select {
	case line := <-said:
		var entry struct {
			Next string `json:"next_try_in"`
		}
		if err := json.Unmarshal([]byte(line), &entry); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if d, err := time.ParseDuration(entry.Next); err != nil || d <= 0 || d > o.MaxBackOff {
			t.Errorf("next try in %q", entry.Next)
		}
	case <-time.After(patience):
		t.Fatal("nothing was logged")
	}
}

func TestValidateSaysWhatToDo(t *testing.T) {
	for name, test := range map[string]struct {
		change func(*mqtt.Options)
		want   string
	}{
		"no broker":     {func(o *mqtt.Options) { o.Broker = "" }, "broker is empty; give the broker's address"},
		"password":      {func(o *mqtt.Options) { o.Broker = "tcp://ann:hush@h:1" }, "move them to user and password_file"},
		"scheme":        {func(o *mqtt.Options) { o.Broker = "http://h:1" }, "use tcp, tls, ws or wss"},
		"no port":       {func(o *mqtt.Options) { o.Broker = "tls://h" }, "8883 for tls"},
		"tls on tcp":    {func(o *mqtt.Options) { o.TLS.CAFile = "ca.pem" }, "is not encrypted, yet tls is set"},
		"filter":        {func(o *mqtt.Options) { o.Topics = []string{"a/#/b"} }, "not a topic filter"},
		"half a pair":   {func(o *mqtt.Options) { o.Broker = "tls://h:1"; o.TLS.CertFile = "c" }, "belong together"},
		"two passwords": {func(o *mqtt.Options) { o.User, o.PasswordEnv, o.PasswordFile = "a", "b", "c" }, "more than once"},
		"no user":       {func(o *mqtt.Options) { o.PasswordEnv = "b" }, "without a user"},
		"back-off":      {func(o *mqtt.Options) { o.MaxBackOff = 1 }, "min_back_off"},
	} {
		o := clientOptions("tcp://127.0.0.1:1883", nil)
		test.change(&o)
		err := o.Validate()
		if err == nil || !contains(err.Error(), test.want) || contains(err.Error(), "hush") {
			t.Errorf("%s: got %v, want %q", name, err, test.want)
		}
	}
	if s := fmt.Sprintf("%v %+v %#v", mqtt.Secret("hush"), struct{ P mqtt.Secret }{"hush"}, mqtt.Secret("hush")); contains(s, "hush") {
		t.Errorf("a secret prints as %s", s)
	}
}
