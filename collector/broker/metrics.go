package broker

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	connections    prometheus.Gauge
	messages       prometheus.Counter
	bytes          prometheus.Counter
	wills          prometheus.Counter
	refused        *prometheus.CounterVec
	unacknowledged prometheus.Counter
	acceptErrors   prometheus.Counter
	stored         prometheus.Histogram
}

func newMetrics(r prometheus.Registerer) *metrics {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: "coilward_broker_" + name, Help: help})
	}
	m := &metrics{
		connections: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "coilward_broker_connections", Help: "Connections that are open to the embedded broker."}),
		messages: counter("messages_total", "Messages received from machines and gateways."),
		bytes:    counter("received_bytes_total", "Payload received from machines and gateways."),
		wills:    counter("last_wills_total", "Last wills received because a connection was lost."),
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "coilward_broker_refused_total",
			Help: "Connections and messages refused: wrong credentials, a client id or last will that is another's, too many connections or sessions, a topic that the account may not publish to, a message that is too large."},
			[]string{"reason"}),
		unacknowledged: counter("unacknowledged_messages_total", "Messages not stored in time, which their sender was made to send again."),
		acceptErrors:   counter("accept_errors_total", "Connections that could not be accepted."),
		stored: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "coilward_broker_store_seconds", Help: "Time from receiving a message until it was stored.",
			Buckets: []float64{0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 5, 30}}),
	}
	for _, reason := range []string{"credentials", "client_id", "sessions", "will", "full", "topic", "too_large"} {
		m.refused.WithLabelValues(reason)
	}
	if r != nil {
		r.MustRegister(m.connections, m.messages, m.bytes, m.wills, m.refused, m.unacknowledged, m.acceptErrors, m.stored)
	}
	return m
}
