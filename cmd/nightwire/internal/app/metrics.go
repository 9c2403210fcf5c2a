package app

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// metrics counts what passes through the watch itself.
type metrics struct {
	stored, repeated prometheus.Counter
	events           *prometheus.CounterVec
	volts, heardAt   *prometheus.GaugeVec // bounded by the sensors of the farm file
	storeBytes       prometheus.Gauge
	open             *prometheus.GaugeVec
}

func newRegistry() *prometheus.Registry {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return reg
}

func newMetrics(reg prometheus.Registerer) *metrics {
	opts := func(name, help string) prometheus.Opts {
		return prometheus.Opts{Namespace: "nightwire", Name: name, Help: help}
	}
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		return prometheus.NewGaugeVec(prometheus.GaugeOpts(opts(name, help)), labels)
	}
	m := &metrics{
		stored:     prometheus.NewCounter(prometheus.CounterOpts(opts("readings_stored_total", "Readings stored durably."))),
		repeated:   prometheus.NewCounter(prometheus.CounterOpts(opts("readings_repeated_total", "Readings left out because they were stored before."))),
		events:     prometheus.NewCounterVec(prometheus.CounterOpts(opts("alarm_events_total", "Steps in the lives of alarms, by kind.")), []string{"kind"}),
		volts:      gauge("fence_volts", "Newest pulse peak that a sensor reported, in volts.", "sensor"),
		heardAt:    gauge("sensor_heard_timestamp_seconds", "When a sensor was last heard.", "sensor"),
		open:       gauge("alarms_open", "Alarms that are on or unanswered, by priority.", "priority"),
		storeBytes: prometheus.NewGauge(prometheus.GaugeOpts(opts("store_bytes", "Size of the data file with its log."))),
	}
	for _, kind := range []alerts.EventKind{alerts.Raised, alerts.Updated, alerts.Returned, alerts.Escalated} {
		m.events.WithLabelValues(string(kind))
	}
	m.countOpen(nil)
	reg.MustRegister(m.stored, m.repeated, m.events, m.volts, m.heardAt, m.open, m.storeBytes)
	return m
}

// heard notes a sensor's newest reading.
func (m *metrics) heard(r *pulse.Reading) {
	if v, ok := r.Get(pulse.Volts); ok {
		m.volts.WithLabelValues(string(r.Sensor)).Set(v)
	}
	m.heardAt.WithLabelValues(string(r.Sensor)).Set(float64(r.Arrived.UnixMilli()) / 1000)
}

// countOpen counts the alarms on the list.
func (m *metrics) countOpen(listed []alerts.Point) {
	n := map[alerts.Priority]int{}
	for _, p := range listed {
		n[p.Finding.Priority]++
	}
	for _, p := range []alerts.Priority{alerts.LowPriority, alerts.Medium, alerts.High} {
		m.open.WithLabelValues(p.String()).Set(float64(n[p]))
	}
}
