package broker_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"sync/atomic"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/broker"
	"coilward/collector/intake"
)

// A message that is too large ends its connection. That is counted each time, and said
// once an hour and client, with what to do; what others send is kept.
func TestOversizedMessageIsToldAndCounted(t *testing.T) {
	var log bytes.Buffer
	var now atomic.Int64
	now.Store(1_782_864_000_000)
	registry, taken := prometheus.NewRegistry(), make(chan string, 10)
	b, stop := start(t, func(o *broker.Options) {
		o.MaxPacket, o.Logger, o.Registerer = 1024, zerolog.New(zerolog.SyncWriter(&log)), registry
		o.Now = func() collector.Millis { return collector.Millis(now.Load()) }
		o.Handler = func(m intake.Message) { taken <- m.Topic; m.Ack() }
	})
	large := func(client string) {
		t.Helper()
		lost := make(chan error, 1)
		c := must(t)(machine(t, b, client, func(o *paho.ClientOptions) {
			o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
		}))
		c.Publish("cabinets/oakmill/cab-1/readings", 1, false, strings.Repeat(" ", 2000)+"[]")
		next(t, lost)
	}
	large("gateway-1")
	large("gateway-1")
	large("gateway-2")
	now.Add(3_600_000)
	large("gateway-1")
	good := must(t)(machine(t, b, "cab-2", nil))
	if token := good.Publish("cabinets/oakmill/cab-2/readings", 1, false, "[]"); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatal("a good message after it is not taken")
	}
	if topic := next(t, taken); topic != "cabinets/oakmill/cab-2/readings" {
		t.Errorf("taken: %s", topic)
	}
	good.Disconnect(0)
	stop() // every connection has been seen to its end
	want := `
# HELP coilward_broker_refused_total Connections and messages refused: wrong credentials, a client id or last will that is another's, too many connections or sessions, a topic that the account may not publish to, a message that is too large.
# TYPE coilward_broker_refused_total counter
coilward_broker_refused_total{reason="client_id"} 0
coilward_broker_refused_total{reason="credentials"} 0
coilward_broker_refused_total{reason="full"} 0
coilward_broker_refused_total{reason="sessions"} 0
coilward_broker_refused_total{reason="too_large"} 4
coilward_broker_refused_total{reason="topic"} 0
coilward_broker_refused_total{reason="will"} 0
`
	if err := testutil.GatherAndCompare(registry, strings.NewReader(want), "coilward_broker_refused_total"); err != nil {
		t.Error(err)
	}
	var said []string
	for line := range bytes.Lines(log.Bytes()) {
		var x struct{ Client, Reason, Message string }
		if err := json.Unmarshal(line, &x); err != nil {
			t.Fatal(err)
		}
		if x.Reason == "too_large" {
			said = append(said, x.Client)
			if !strings.Contains(x.Message, "max_packet_bytes") {
				t.Errorf("it does not say what to do: %s", x.Message)
			}
		}
	}
	if got := strings.Join(said, " "); got != "gateway-1 gateway-2 gateway-1" {
		t.Errorf("said of %q", got)
	}
}
