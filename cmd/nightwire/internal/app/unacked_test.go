package app

import (
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// youngNight is a watch that has just been started on a folder, as far as unacknowledged readings go.
func youngNight(t *testing.T, dir string) *night {
	t.Helper()
	n := &night{opts: Options{DataDir: dir}, log: slog.New(slog.NewTextHandler(testLog{t}, nil))}
	var err error
	if n.store, err = store.Open(t.Context(), store.Options{Path: filepath.Join(dir, storeFile)}); err != nil {
		t.Fatal(err)
	}
	return n
}

func (n *night) storeAt(t *testing.T, seconds ...float64) {
	t.Helper()
	for _, s := range seconds {
		r := pulse.Reading{Sensor: "farm/brook", At: start.Add(time.Duration(s * float64(time.Second)))}
		r.Arrived = r.At
		r.Set(pulse.Volts, 7000)
		if _, err := n.store.Append(t.Context(), []pulse.Reading{r}); err != nil {
			t.Fatal(err)
		}
	}
}

// again returns when the readings that may come again were read, in seconds.
func (n *night) again(t *testing.T) (out []float64) {
	t.Helper()
	rs, _, err := n.unacknowledged(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rs {
		out = append(out, r.At.Sub(start).Seconds())
	}
	return out
}

// TestUnacknowledgedOutlastsASecondKill kills a young watch before it has acknowledged what the one before had stored.
func TestUnacknowledgedOutlastsASecondKill(t *testing.T) {
	dir := t.TempDir()
	steps := []struct {
		name string
		keep []float64 // stored before this start
		want []float64
		old  bool // it lives long enough to acknowledge everything
		ends bool // in peace
	}{
		{"nothing", nil, nil, true, false},
		{"the last seconds", []float64{0, 100, 103, 104}, []float64{100, 103, 104}, false, false},
		{"and those before when killed at once", []float64{120, 121}, []float64{100, 103, 104, 120, 121}, true, false},
		{"but not after it has lived", []float64{300}, []float64{300}, false, true},
		{"nor after one that ended in peace", []float64{301}, []float64{300, 301}, false, false},
		{"which was killed", []float64{400}, []float64{300, 301, 400}, false, false},
	}
	for _, s := range steps {
		n := youngNight(t, dir)
		n.storeAt(t, s.keep...)
		if diff := cmp.Diff(s.want, n.again(t)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", s.name, diff)
		}
		if s.old {
			n.feed.young.Store(new(time.Now().Add(-ackedAfter)))
		}
		n.acknowledged()
		if s.ends {
			if err := n.endInPeace(); err != nil {
				t.Fatal(err)
			}
		}
		if err := n.store.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
