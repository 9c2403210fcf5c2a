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
	const long = int64(beforeSpan / time.Millisecond)
	old := []pulse.Reading{
		said(7000, 0, 0), // too long before the last
		said(7100, 2*long, 2*long), said(7200, 2*long+1, 2*long+1), said(7200, 2*long+2, 2*long+2),
		said(7300, 2*long+3, 1000), // has a time of its own: the store knows it
		said(7400, 2*long+4, 2*long+4),
	}
	at := 10 * long
	tests := []struct {
		name  string
		again []pulse.Reading // in one message each
		want  []float64       // stored again
	}{
		{"each once", []pulse.Reading{said(7100, at, at), said(7100, at, at)}, []float64{7100}},
		{"as often as it was there", []pulse.Reading{said(7200, at, at), said(7200, at, at), said(7200, at, at)}, []float64{7200}},
		{"not what is old", []pulse.Reading{said(7000, at, at)}, []float64{7000}},
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
