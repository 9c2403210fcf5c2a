package influx

import (
	"sync"

	"github.com/prometheus/client_golang/prometheus"
)

// Metrics count what a Mirror copies.
type Metrics struct {
	written, refused, failures prometheus.Counter

	mu  sync.Mutex
	lag func() float64
}

// NewMetrics makes the metrics and registers them.
func NewMetrics(reg prometheus.Registerer) *Metrics {
	m := &Metrics{}
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Namespace: "nightwire", Subsystem: "mirror", Name: name, Help: help})
		reg.MustRegister(c)
		return c
	}
	m.written = counter("readings_written_total", "Readings that the mirror took, repeats included.")
	m.refused = counter("readings_refused_total", "Readings that the mirror refused for good.")
	m.failures = counter("failures_total", "Tries to copy that failed.")
	reg.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Namespace: "nightwire", Subsystem: "mirror", Name: "lag_seconds",
		Help: "For how long the oldest reading that is not at the mirror has waited.",
	}, m.seconds))
	return m
}

// follow sets where the lag comes from.
func (m *Metrics) follow(lag func() float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.lag = lag
}

func (m *Metrics) seconds() float64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.lag == nil {
		return 0
	}
	return m.lag()
}
