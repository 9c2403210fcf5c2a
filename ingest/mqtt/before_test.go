package mqtt

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// said is a reading of so many volts; one without a stamp counts under its arrival.
func said(volts float64, arrived, stamp int64) pulse.Reading {
	r := pulse.Reading{Sensor: "farm/brook", At: msTime(stamp), Arrived: msTime(arrived)}
	r.Set(pulse.Volts, volts)
	return r
}

func TestWhatWasStoredBeforeTheStart(t *testing.T) {
	old := []pulse.Reading{
		said(7100, 10_000, 10_000), said(7200, 10_001, 10_001), said(7200, 10_002, 10_002),
		said(7300, 10_003, 1000), // has a time of its own: the store knows it
		said(7400, 10_004, 10_004),
	}
	const at = 50_000
	tests := []struct {
		name  string
		again []pulse.Reading // in one message each
		want  []float64       // stored again
	}{
		{"each once", []pulse.Reading{said(7100, at, at), said(7100, at, at)}, []float64{7100}},
		{"as often as it was there", []pulse.Reading{said(7200, at, at), said(7200, at, at), said(7200, at, at)}, []float64{7200}},
		{"not what has a time of its own", []pulse.Reading{said(7100, at, 2000), said(7300, at, 1000)}, []float64{7100, 7300}},
		{"not what is new", []pulse.Reading{said(7500, at, at)}, []float64{7500}},
		{"the last", []pulse.Reading{said(7400, at, at)}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBefore(old)
			var got []float64
			for _, r := range tt.again {
				for _, left := range b.without([]pulse.Reading{r}) {
					v, _ := left.Get(pulse.Volts)
					got = append(got, v)
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("stored again (-want +got):\n%s", diff)
			}
		})
	}
}

func TestAForgetfulBroker(t *testing.T) {
	marked := fakeMessage{payload: "a", qos: 1, again: true}
	plain := fakeMessage{payload: "a", qos: 1}
	tests := []struct {
		name      string
		forgetful bool
		m         fakeMessage
		came      time.Duration // after the connection
		want      bool
	}{
		{"marked", false, marked, time.Hour, true},
		{"not marked", false, plain, 0, false},
		{"not marked by one that forgets", true, plain, time.Second, true},
		{"not marked, much later", true, plain, forgetfulFor, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := &Client{opts: Options{Forgetful: tt.forgetful}}
			c.firstUp.Store(1000)
			m := &message{Message: tt.m, arrived: msTime(1000).Add(tt.came)}
			if got := c.mayBeAgain(m); got != tt.want {
				t.Errorf("got %t, want %t", got, tt.want)
			}
		})
	}
}
