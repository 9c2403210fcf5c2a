package web

import (
	"context"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
)

// counters are the page's own metrics.
type counters struct {
	panics  prometheus.Counter
	logins  *prometheus.CounterVec
	streams prometheus.Gauge
}

// newCounters registers the page's metrics; reg may be nil.
func newCounters(reg prometheus.Registerer) counters {
	c := counters{
		panics: prometheus.NewCounter(prometheus.CounterOpts{Name: "nightwire_web_panics_total",
			Help: "Requests that broke the page's own code; each is in the log."}),
		logins: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "nightwire_web_logins_total",
			Help: "Tries to log in, by outcome."}, []string{"outcome"}),
		streams: prometheus.NewGauge(prometheus.GaugeOpts{Name: "nightwire_web_live_streams",
			Help: "Pages that are being kept live just now."}),
	}
	for _, outcome := range []string{"ok", "wrong", "wait"} {
		c.logins.WithLabelValues(outcome)
	}
	if reg != nil {
		reg.MustRegister(c.panics, c.logins, c.streams)
	}
	return c
}

// probe answers a health check: 200 and "ok", or 503. Why not is for those with a session or the log to know.
func (s *Server) probe(name string, check func(context.Context) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		if check == nil {
			w.Write([]byte("ok\n"))
			return
		}
		err := check(r.Context())
		if err == nil {
			w.Write([]byte("ok\n"))
			return
		}
		text := "not " + name
		if ses, ok := s.session(r); !s.door.locked() || ok && ses.trusted {
			text += ": " + err.Error()
		}
		http.Error(w, text, http.StatusServiceUnavailable)
	}
}
