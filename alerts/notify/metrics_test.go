package notify

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"nightwire/alerts"
)

func TestMetrics(t *testing.T) {
	reg := prometheus.NewRegistry()
	m := NewMetrics(reg)
	if _, err := NewSender(SenderOptions{Outbox: &box{}, Channels: map[string]Channel{"mail": &takes{}}, Metrics: m}); err != nil {
		t.Fatal(err)
	}
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	if n := testutil.CollectAndCount(m.messages); n != 4 {
		t.Errorf("%d outcomes are shown before the first message, want 4", n)
	}
}

func TestMetricsCount(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, reg := &box{}, prometheus.NewRegistry()
		ch := sendFunc(func(_ context.Context, m alerts.Message) (bool, error) {
			switch m.Person {
			case "refused":
				return false, errors.New("no")
			case "later":
				return true, errors.New("not now")
			}
			return false, nil
		})
		b.put(letter("a", "taken", "mail", alerts.TellRaised, "x"), letter("b", "refused", "mail", alerts.TellRaised, "x"), letter("c", "later", "mail", alerts.TellRaised, "x"))
		m := NewMetrics(reg)
		_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}, Metrics: m, AtOnce: 1})
		defer stop()
		pass(time.Second)
		for outcome, want := range map[alerts.Outcome]float64{alerts.Taken: 1, alerts.Refused: 1, alerts.Pending: 1, alerts.Superseded: 0} {
			if got := testutil.ToFloat64(m.messages.WithLabelValues("mail", string(outcome))); got != want {
				t.Errorf("%s: %g, want %g", outcome, got, want)
			}
		}
		if got := testutil.ToFloat64(m.pending.WithLabelValues("mail")); got != 1 {
			t.Errorf("%g pending, want 1", got)
		}
		if got := testutil.ToFloat64(m.failing.WithLabelValues("mail")); got != 1 {
			t.Errorf("failing is %g, want 1", got)
		}
	})
}
