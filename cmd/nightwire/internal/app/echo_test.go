package app

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// What a radio network hands on twice counts once; what a sensor has to say does not get lost with it.
func TestEchoes(t *testing.T) {
	f := &farm.Farm{Name: "alder-bank", Zones: []farm.Zone{{Name: "brook", Sensor: farm.Sensor{Every: 5 * time.Minute}}}}
	start := time.Date(2026, 5, 1, 2, 0, 0, 0, time.UTC)
	type message struct {
		after time.Duration
		seq   float64 // below 0 for none
		volts float64
	}
	cases := []struct {
		name     string
		messages []message
		want     []int // which count
	}{
		{"a second gateway", []message{{0, 7, 6400}, {2 * time.Second, 7, 6400}, {5 * time.Minute, 8, 6400}}, []int{0, 2}},
		{"delivered again after a minute", []message{{0, 7, 6400}, {time.Minute, 7, 6400}, {2 * time.Minute, 7, 6400}}, []int{0}},
		{"a counter that stands still", []message{{0, 0, 6400}, {5 * time.Minute, 0, 6400}, {10 * time.Minute, 0, 6400}}, []int{0, 1, 2}},
		{"a board that began anew, with other news", []message{{0, 1, 6400}, {time.Minute, 1, 0}}, []int{0, 1}},
		{"kept while there was no link, sent in one go", []message{{0, 3, 6400}, {5 * time.Minute, 3, 6400}}, []int{0, 1}},
		{"no counter", []message{{0, -1, 6400}, {time.Second, -1, 6400}}, []int{0, 1}},
	}
	for _, c := range cases {
		for _, together := range []bool{true, false} {
			t.Run(c.name, func(t *testing.T) {
				e := newEchoes(f)
				var all, got []pulse.Reading
				for _, m := range c.messages {
					r := pulse.Reading{Sensor: "alder-bank/zone/brook", At: start.Add(m.after), Arrived: start.Add(m.after)}
					r.Set(pulse.Volts, m.volts)
					if m.seq >= 0 {
						r.Set(pulse.Seq, m.seq)
					}
					all = append(all, r)
				}
				if together {
					got = e.drop(all)
				} else {
					for i := range all {
						one := e.drop(all[i : i+1])
						e.note(one)
						got = append(got, one...)
					}
				}
				var want []time.Time
				for _, i := range c.want {
					want = append(want, all[i].At)
				}
				var times []time.Time
				for _, r := range got {
					times = append(times, r.At)
				}
				if diff := cmp.Diff(want, times); diff != "" {
					t.Errorf("together %v: (-want +got)\n%s", together, diff)
				}
			})
		}
	}
}

// A batch that could not be stored comes again whole.
func TestEchoesOfWhatWasNotStored(t *testing.T) {
	e := newEchoes(&farm.Farm{Name: "alder-bank", Zones: []farm.Zone{{Name: "brook", Sensor: farm.Sensor{Every: 5 * time.Minute}}}})
	at := time.Date(2026, 5, 1, 2, 0, 0, 0, time.UTC)
	r := pulse.Reading{Sensor: "alder-bank/zone/brook", At: at, Arrived: at}
	r.Set(pulse.Volts, 6400)
	r.Set(pulse.Seq, 7)
	e.drop([]pulse.Reading{r}) // and storing failed
	later := r
	later.At, later.Arrived = at.Add(time.Second), at.Add(time.Second)
	if got := e.drop([]pulse.Reading{later}); len(got) != 1 {
		t.Errorf("a reading that was never stored was taken for an echo")
	}
	e.note([]pulse.Reading{r})
	if got := e.drop([]pulse.Reading{r}); len(got) != 1 {
		t.Errorf("the same reading again is for the store to judge")
	}
}
