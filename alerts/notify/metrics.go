package notify

import (
	"github.com/prometheus/client_golang/prometheus"

	"nightwire/alerts"
)

// Metrics counts what is sent.
type Metrics struct {
	messages *prometheus.CounterVec
	pending  *prometheus.GaugeVec
	failing  *prometheus.GaugeVec
	seconds  *prometheus.HistogramVec
	delay    *prometheus.HistogramVec
}

// NewMetrics makes the metrics and registers them.
func NewMetrics(reg prometheus.Registerer) *Metrics {
	channel := []string{"channel"}
	m := &Metrics{
		messages: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "nightwire_messages_total",
			Help: "Attempts to send a message by what came of them: taken, refused, superseded, or pending, to be tried again."},
			[]string{"channel", "outcome"}),
		pending: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "nightwire_messages_pending",
			Help: "Messages that wait for their channel."}, channel),
		failing: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "nightwire_channel_failing",
			Help: "1 while the last attempt on the channel has failed."}, channel),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "nightwire_message_send_seconds",
			Help: "How long an attempt to send took.", Buckets: []float64{.01, .03, .1, .3, 1, 3, 10, 30}}, channel),
		delay: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "nightwire_message_delay_seconds",
			Help: "From planning a message until its channel took it.", Buckets: []float64{.01, .03, .1, .3, 1, 10, 60, 600, 3600}}, channel),
	}
	reg.MustRegister(m.messages, m.pending, m.failing, m.seconds, m.delay)
	return m
}

// preset shows every channel with 0 before anything has happened on it.
func (m *Metrics) preset(channel string) {
	for _, o := range []alerts.Outcome{alerts.Taken, alerts.Refused, alerts.Superseded, alerts.Pending} {
		m.messages.WithLabelValues(channel, string(o))
	}
	m.pending.WithLabelValues(channel)
	m.failing.WithLabelValues(channel)
	m.seconds.WithLabelValues(channel)
	m.delay.WithLabelValues(channel)
}
