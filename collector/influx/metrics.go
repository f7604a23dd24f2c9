package influx

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"
)

type metrics struct {
	copied, errors, lost, refused prometheus.Counter
	backlog, up                   prometheus.Gauge
}

func newMetrics(registry prometheus.Registerer) *metrics {
	f := promauto.With(registry)
	opts := func(name, help string) prometheus.Opts {
		return prometheus.Opts{Namespace: "coilward", Subsystem: "influx", Name: name, Help: help}
	}
	return &metrics{
		copied:  f.NewCounter(prometheus.CounterOpts(opts("copied_readings_total", "Readings written to InfluxDB."))),
		errors:  f.NewCounter(prometheus.CounterOpts(opts("write_errors_total", "Attempts to write that failed and are repeated."))),
		lost:    f.NewCounter(prometheus.CounterOpts(opts("lost_readings_total", "Readings that the history dropped before they were copied."))),
		refused: f.NewCounter(prometheus.CounterOpts(opts("refused_readings_total", "Readings that InfluxDB refused for good."))),
		backlog: f.NewGauge(prometheus.GaugeOpts(opts("backlog_readings", "Readings in the history that are not copied yet."))),
		up:      f.NewGauge(prometheus.GaugeOpts(opts("up", "1 when the last write succeeded, else 0."))),
	}
}
