package intake

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"coilward/collector"
)

type metrics struct {
	messages    prometheus.Counter
	admitted    prometheus.Counter
	byReason    [collector.NumReasons]prometheus.Counter
	storeErrors prometheus.Counter
	degraded    prometheus.Gauge
	ack         prometheus.Histogram
}

func newMetrics(registry prometheus.Registerer, backlog func() float64) *metrics {
	f := promauto.With(registry)
	name := func(name, help string) prometheus.Opts {
		return prometheus.Opts{Namespace: "coilward", Subsystem: "collector", Name: name, Help: help}
	}
	m := &metrics{
		messages:    f.NewCounter(prometheus.CounterOpts(name("messages_total", "Messages taken from the broker and acknowledged."))),
		admitted:    f.NewCounter(prometheus.CounterOpts(name("admitted_readings_total", "Readings admitted and stored."))),
		storeErrors: f.NewCounter(prometheus.CounterOpts(name("store_errors_total", "Attempts to store readings that failed; they are repeated."))),
		degraded:    f.NewGauge(prometheus.GaugeOpts(name("store_degraded", "1 while readings cannot be stored and the broker has to keep them, else 0."))),
		ack: f.NewHistogram(prometheus.HistogramOpts{
			Namespace: "coilward", Subsystem: "collector", Name: "ack_seconds",
			Help:    "Time from taking a message to acknowledging it.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10, 60},
		}),
	}
	f.NewGaugeFunc(prometheus.GaugeOpts(name("backlog_messages", "Messages that wait to be decoded.")), backlog)
	refused := f.NewCounterVec(prometheus.CounterOpts(name("refused_total", "Records, readings and messages refused.")), []string{"reason"})
	repaired := f.NewCounterVec(prometheus.CounterOpts(name("repaired_total", "Messages and readings put right on the way in, and kept.")), []string{"reason"})
	for why := collector.Reason(1); int(why) < collector.NumReasons; why++ {
		if why.Repaired() {
			m.byReason[why] = repaired.WithLabelValues(why.String())
		} else {
			m.byReason[why] = refused.WithLabelValues(why.String())
		}
	}
	return m
}

func (m *metrics) count(why collector.Reason) { m.byReason[why].Inc() }
