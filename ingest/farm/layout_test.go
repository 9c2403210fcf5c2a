package farm

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func day(n int) time.Time { return time.Date(2026, 4, n, 12, 0, 0, 0, time.UTC) }

// seasons is a fence through a spring: a training pen, then the perimeter, with lane strung on and the pen gone.
func seasons() History {
	pen := Layout{Energizers: []Energizer{{Name: "cartshed", OpenVolts: 8200, SourceOhms: 350}},
		Zones: []Zone{{Name: "pen", FedBy: "cartshed", LengthM: 60, OhmsPerKM: 4000, Stock: "pigs"}}}
	brook := Zone{Name: "brook", FedBy: "cartshed", LengthM: 180, OhmsPerKM: 4000, Stock: "pigs"}
	perimeter := Layout{Energizers: pen.Energizers, Zones: []Zone{brook}}
	lane := Zone{Name: "lane", FedBy: "brook", LengthM: 100, OhmsPerKM: 4000}
	longer := Layout{Energizers: pen.Energizers, Zones: []Zone{brook, lane}}
	stocked := Layout{Energizers: pen.Energizers, Zones: []Zone{brook, lane}}
	stocked.Zones[1].Stock = "sheep"
	return History{{day(1), pen}, {day(10), perimeter}, {day(20), longer}, {day(25), stocked}}
}

func TestHistoryIsTrueToItsDay(t *testing.T) {
	h := seasons()
	for _, tt := range []struct {
		at   time.Time
		want string
	}{{day(1).Add(-time.Hour), "pen"}, {day(5), "pen"}, {day(10), "brook"}, {day(19), "brook"}, {day(30), "brook lane"}} {
		l, ok := h.At(tt.at)
		got := ""
		for _, z := range l.Zones {
			if got != "" {
				got += " "
			}
			got += z.Name
		}
		if !ok || got != tt.want {
			t.Errorf("on %s there are %q, want %q", tt.at.Format("2 Jan"), got, tt.want)
		}
	}
	if _, ok := (History{}).At(day(1)); ok {
		t.Error("a farm without history has a layout")
	}
	// Stock change nothing for the circuit, so the baseline is of the 20th.
	if got := h.Since("cartshed"); !got.Equal(day(20)) {
		t.Errorf("the circuit is of %s, want 20 April", got)
	}
	if got := h[:1].Since("cartshed"); !got.IsZero() {
		t.Errorf("the first circuit is of %s, want always", got)
	}
	if g := h.Gone(); len(g.Zones) != 1 || g.Zones[0].Name != "pen" || len(g.Energizers) != 0 {
		t.Errorf("gone are %+v, want the pen", g)
	}
}

// TestMinimumIsThatOfItsDay has a zone whose minimum is raised, that goes, and that comes back.
func TestMinimumIsThatOfItsDay(t *testing.T) {
	lane := func(volts float64) Layout { return Layout{Zones: []Zone{{Name: "lane", MinimumVolts: volts}}} }
	h := History{{day(1), lane(2000)}, {day(5), lane(2000)}, {day(10), lane(3500)}, {day(20), Layout{}}, {day(25), lane(3000)}}
	want := []Minimum{{day(1), 2000}, {day(10), 3500}, {day(20), 0}, {day(25), 3000}}
	if diff := cmp.Diff(want, h.Minimums("lane")); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, tt := range []struct {
		at   time.Time
		want float64
	}{{day(1).Add(-time.Hour), 2000}, {day(9), 2000}, {day(10), 3500}, {day(22), 0}, {day(30), 3000}} {
		if got := h.MinimumAt("lane", tt.at); got != tt.want {
			t.Errorf("on %s it needed %g V, want %g V", tt.at.Format("2 Jan"), got, tt.want)
		}
	}
	if got := h.MinimumAt("brook", day(9)); got != 0 {
		t.Errorf("a zone that never was needed %g V", got)
	}
	if got := (History{}).Minimums("lane"); got != nil {
		t.Errorf("no history has %v", got)
	}
}

func TestLayoutsWithin(t *testing.T) {
	h := seasons()
	for _, tt := range []struct{ from, to, first, last int }{{2, 3, 1, 1}, {2, 12, 1, 10}, {10, 11, 10, 10}, {9, 10, 1, 1}, {21, 30, 20, 25}, {28, 30, 25, 25}} {
		got := h.Within(day(tt.from), day(tt.to))
		if len(got) == 0 || !got[0].From.Equal(day(tt.first)) || !got[len(got)-1].From.Equal(day(tt.last)) {
			t.Errorf("from the %d to the %d: %d layouts, want those of the %d to the %d", tt.from, tt.to, len(got), tt.first, tt.last)
		}
	}
	if got := h.Within(day(1).Add(-48*time.Hour), day(1).Add(-time.Hour)); len(got) != 1 || !got[0].From.Equal(day(1)) {
		t.Errorf("before the first there are %d layouts, want the first", len(got))
	}
	if got := (History{}).Within(day(1), day(2)); len(got) != 0 {
		t.Errorf("no history has %v", got)
	}
}

func TestChangesInWords(t *testing.T) {
	h := seasons()
	var got []string
	for i := 1; i < len(h); i++ {
		got = append(got, h[i].Changes(h[i-1].Layout)...)
	}
	other := h[3].Layout
	other.Energizers = []Energizer{{Name: "mill", OpenVolts: 9000}}
	other.Zones = []Zone{other.Zones[0], other.Zones[1]}
	other.Zones[0].FedBy, other.Zones[0].LengthM = "mill", 240
	other.Zones[1].MinimumVolts = 3000
	got = append(got, other.Changes(h[3].Layout)...)
	want := []string{"brook is new, 180 m fed by cartshed", "pen is gone", "lane is new, 100 m fed by brook", "lane holds sheep, not nothing",
		"energizer mill is new", "brook is fed by mill, not cartshed", "brook is 240 m long, not 180 m", "lane needs 3 kV, not 0 kV", "energizer cartshed is gone"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if same := h[0].Changes(h[0].Layout); len(same) != 0 {
		t.Errorf("the same layout differs by %q", same)
	}
}
