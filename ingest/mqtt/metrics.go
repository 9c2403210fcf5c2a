package mqtt

import "github.com/prometheus/client_golang/prometheus"

// Metrics counts what passes through a Client.
type Metrics struct {
	received, repeated, dropped, acked, connects, appendFailures prometheus.Counter
	rejected                                                     *prometheus.CounterVec
	connected, queued                                            prometheus.Gauge
	batchReadings, appendSeconds                                 prometheus.Histogram
}

// NewMetrics makes the metrics and registers them.
func NewMetrics(reg prometheus.Registerer) *Metrics {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Namespace: "nightwire", Subsystem: "mqtt", Name: name, Help: help})
	}
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "nightwire", Subsystem: "mqtt", Name: name, Help: help})
	}
	histogram := func(name, help string, buckets []float64) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{
			Namespace: "nightwire", Subsystem: "mqtt", Name: name, Help: help, Buckets: buckets,
		})
	}
	m := &Metrics{
		received:       counter("messages_received_total", "Messages that came from the broker, repeats included."),
		repeated:       counter("messages_repeated_total", "Messages that the broker sent again although they were stored or queued."),
		dropped:        counter("messages_dropped_total", "Messages left with the broker for a while because the queue was full."),
		acked:          counter("messages_acked_total", "Messages acknowledged after their readings were durable."),
		connects:       counter("connects_total", "Connections made to the broker."),
		appendFailures: counter("append_failures_total", "Tries to store a batch that failed."),
		rejected: prometheus.NewCounterVec(prometheus.CounterOpts{
			Namespace: "nightwire", Subsystem: "mqtt", Name: "messages_rejected_total", Help: "Messages that gave no readings, by reason.",
		}, []string{"reason"}),
		connected:     gauge("connected", "Whether there is a connection to the broker."),
		queued:        gauge("queued_messages", "Messages in the queue after the last batch."),
		batchReadings: histogram("batch_readings", "Readings stored in one commit.", prometheus.ExponentialBuckets(1, 4, 6)),
		appendSeconds: histogram("append_seconds", "Time to store one batch durably.", prometheus.ExponentialBuckets(0.001, 4, 8)),
	}
	for _, reason := range []string{rejectPayload, rejectPanic, rejectTooLarge} {
		m.rejected.WithLabelValues(reason)
	}
	reg.MustRegister(m.received, m.repeated, m.dropped, m.acked, m.connects, m.appendFailures, m.rejected,
		m.connected, m.queued, m.batchReadings, m.appendSeconds)
	return m
}
