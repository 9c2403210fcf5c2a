package detect

import (
	"testing"

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
