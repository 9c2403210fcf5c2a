package farm

import "testing"

// TestSourceNames names sources as the rest of the program and people do.
func TestSourceNames(t *testing.T) {
	tests := []struct {
		source       Source
		name, called string
	}{
		{ZoneSource("brook"), "brook", "brook"},
		{ZoneSource("energizer/brook"), "energizer/brook", "energizer/brook"},
		{EnergizerSource("cartshed"), "cartshed", "energizer cartshed"},
		{Site, "", ""},
		{WeatherSource, "", ""},
	}
	for _, tt := range tests {
		if name, called := tt.source.Name(), tt.source.Called(); name != tt.name || called != tt.called {
			t.Errorf("%s: name %q, called %q; want %q and %q", tt.source, name, called, tt.name, tt.called)
		}
	}
}

func TestNearMark(t *testing.T) {
	z := Zone{LengthM: 200, Marks: []Mark{{AtM: 60, Name: "the lower gate"}, {AtM: 150, Name: "old oak"}}}
	for atM, want := range map[float64]string{10: "the lower gate", 9: "", 104: "the lower gate", 106: "the old oak", 200: "the old oak", 201: ""} {
		if got := z.NearMark(atM); got != want {
			t.Errorf("near %g m: %q, want %q", atM, got, want)
		}
	}
	if got := (&Zone{LengthM: 200}).NearMark(0); got != "" {
		t.Errorf("without marks: %q", got)
	}
}
