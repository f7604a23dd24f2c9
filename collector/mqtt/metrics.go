package mqtt

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	connected      prometheus.Gauge
	reconnects     prometheus.Counter
	messages       prometheus.Counter
	redelivered    prometheus.Counter
	bytes          prometheus.Counter
	published      prometheus.Counter
	unacknowledged prometheus.Gauge
}

func newMetrics(r prometheus.Registerer) *metrics {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: "coilward_mqtt_" + name, Help: help})
	}
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Name: "coilward_mqtt_" + name, Help: help})
	}
	m := &metrics{
		connected:      gauge("connected", "1 while there is a connection to the broker."),
		reconnects:     counter("reconnects_total", "Attempts to connect after the first."),
		messages:       counter("messages_total", "Messages received from the broker."),
		redelivered:    counter("redelivered_messages_total", "Messages received that the broker marks as sent before."),
		bytes:          counter("received_bytes_total", "Payload received from the broker."),
		published:      counter("published_messages_total", "Messages that the broker has taken from us."),
		unacknowledged: gauge("unacknowledged_messages", "Messages received and not yet acknowledged."),
	}
	if r != nil {
		r.MustRegister(m.connected, m.reconnects, m.messages, m.redelivered, m.bytes, m.published, m.unacknowledged)
	}
	return m
}

func (m *metrics) setConnected(connected bool) {
	m.connected.Set(0)
	if connected {
		m.connected.Set(1)
	}
}

func (m *metrics) received(bytes int, again bool) {
	m.messages.Inc()
	m.bytes.Add(float64(bytes))
	if again {
		m.redelivered.Inc()
	}
}
