package detect

import (
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// What was seen is told in volts that differ, and in per cent only where that says something.
func TestMoved(t *testing.T) {
	for _, tt := range []struct {
		name    string
		was, is float64
		want    string
	}{
		{"a fall", 5800, 4800, "fell from 5.8 kV to 4.8 kV"},
		{"a fall of next to nothing", 44, 38, "steady at 0.0 kV"},
		{"a fall that rounds away", 640, 610, "steady at 0.6 kV"},
		{"a little rise, as before a break", 7000, 7200, "rose 3 %"},
		{"much", 200, 7600, "rose from 0.2 kV to 7.6 kV"},
		{"much of nothing", 10, 40, "steady at 0.0 kV"},
		{"noise", 7000, 7050, "steady at 7.0 kV"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := moved(tt.was, tt.is); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

// A message that the energizer is on again has room for some zones that are still dead, and for what to do.
func TestSomeNames(t *testing.T) {
	names := []string{"a", "b", "c", "d", "e", "f"}
	for n, want := range map[int]string{1: "a", 4: "a, b, c, d", 5: "a, b, c and 2 more", 6: "a, b, c and 3 more"} {
		if got := some(names[:n]); got != want {
			t.Errorf("of %d: %q, want %q", n, got, want)
		}
	}
}

// The minimum that is named is that of the zone whose voltage is: one that grows over may take another under.
func TestUnderItsOwnMinimum(t *testing.T) {
	zones := []farm.Zone{{Name: "brook", MinimumVolts: 2500}, {Name: "lane", MinimumVolts: 3000}}
	f := &fence{w: &Watch{farm: &farm.Farm{Zones: zones}}}
	for _, tt := range []struct {
		name string
		fd   alerts.Finding
		want string
	}{
		{"low", alerts.Finding{Condition: alerts.Low, KV: new(1.8)}, "said, under its 2.5 kV"},
		{"a little low", alerts.Finding{Condition: alerts.Low, KV: new(2.48)}, "is just under its 2.5 kV"},
		{"not low", alerts.Finding{Condition: alerts.Dropping, KV: new(2.8)}, "said"},
		{"another is", alerts.Finding{Condition: alerts.Low, KV: new(2.52), Worst: "lane", WorstKV: new(1.8)}, "said, under its 3.0 kV"},
		{"another is a little", alerts.Finding{Condition: alerts.Low, KV: new(2.8), Worst: "lane", WorstKV: new(2.98)}, "said, just under its 3.0 kV"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := f.underIts(zones[0].MinimumVolts, &tt.fd, "said"); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

// aFence returns the fence of one energizer with two zones in a row, all with sensors.
func aFence(t *testing.T) *fence {
	t.Helper()
	zone := func(name, by string) farm.Zone {
		return farm.Zone{Name: name, FedBy: by, LengthM: 200, OhmsPerKM: 4000, Sensor: farm.Sensor{Topic: name}}
	}
	w, err := New(Options{Farm: &farm.Farm{
		Energizers: []farm.Energizer{{Name: "shed", OpenVolts: 8000, SourceOhms: 350, Sensor: farm.Sensor{Topic: "shed"}}},
		Zones:      []farm.Zone{zone("brook", "shed"), zone("lane", "brook")},
	}})
	if err != nil {
		t.Fatal(err)
	}
	return w.fences[0]
}

// A time of yesterday evening is told with its day, as a message at night may be read the next morning; a place to what a
// person would pace out.
func TestTimesAndPlacesInWords(t *testing.T) {
	f := aFence(t)
	w, said := f.w, toMS(time.Date(2026, 4, 20, 23, 50, 0, 0, time.UTC))
	lane := f.tracks[2]
	lane.Heard, lane.LastHeard = true, said
	g := gone{At: said, Until: said + 3*60*60_000, Zone: 1, Placed: true, AtM: 63.7, LowM: 52.1, HighM: 81.9}
	for _, tt := range []struct {
		name string
		now  ms
		want string
	}{
		{"the same day", said + 9*60_000, "23:50"},
		{"past midnight", said + 60*60_000, "Mon 23:50"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w.state.Now = tt.now
			if got := w.silentFinding(lane, tt.now).Text; !strings.Contains(got, "said nothing since "+tt.want+",") {
				t.Errorf("said of a silent sensor: %s", got)
			}
			w.state.Link = standing{}
			w.loseLink(tt.now)
			if got := w.state.Link.Finding.Text; !strings.Contains(got, "heard since "+tt.want+":") {
				t.Errorf("said of a lost link: %s", got)
			}
			if got, want := f.wasSo(g), "was so for 3 h from "+tt.want+", about 65 m along lane"; got != want {
				t.Errorf("said of what let go: %q, want %q", got, want)
			}
		})
	}
}

// What stood when another began has not come back with it, and of what has let go the oldest is named first, whichever
// was over first.
func TestEarlier(t *testing.T) {
	const hour = 60 * 60_000
	f := aFence(t)
	stands := func(from, until ms) *incident {
		f.Troubles = nil
		return &incident{Cause: alerts.Short, Zone: 1, Quiet: until, S: standing{ID: "id", Raised: from}, Members: []member{{Node: 2}}}
	}
	long, brief, next := stands(100*hour, 104*hour), stands(102*hour, 103*hour), stands(110*hour, 0)
	f.letGo(brief, 103*hour)
	f.letGo(long, 104*hour)
	if past := f.earlier(brief); len(past) > 0 {
		t.Errorf("one that stood beside it is what came back: %v", past)
	}
	var at []ms
	for _, g := range f.earlier(next) {
		at = append(at, g.At/hour)
	}
	if !slices.Equal(at, []ms{100, 102}) {
		t.Errorf("told at %v hours, want 100 and 102", at)
	}
}

// What an energizer's sensor said of its pace before it fell silent, or was taken off, says nothing of now.
func TestPaceOfOneThatIsHeard(t *testing.T) {
	for _, tt := range []struct {
		name string
		then func(f *fence)
		want float64
	}{
		{"heard", func(*fence) {}, 1.25},
		{"silent", func(f *fence) { f.tracks[0].Gone = true }, 0},
		{"taken off", func(f *fence) { f.tracks[0] = nil }, 0},
		{"never heard", func(f *fence) { f.Supply.Interval = ring5{} }, 0},
		{"heard once", func(f *fence) { f.Supply.Interval = ring5{Vals: [5]float64{1500}, N: 1} }, 0},
		{"one wild reading", func(f *fence) { f.Supply.Interval.add(9000) }, 1.25},
		{"quick once more", func(f *fence) { f.Supply.Interval.add(1200) }, 1},
		{"slower twice", func(f *fence) { f.Supply.Interval.add(1800); f.Supply.Interval.add(2400) }, 1.5},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := aFence(t)
			for range 5 {
				f.Supply.UsualMS.add(1200)
				f.Supply.Interval.add(1500)
			}
			tt.then(f)
			if got := f.pace(); got != tt.want {
				t.Errorf("%g times the usual interval, want %g", got, tt.want)
			}
		})
	}
}
