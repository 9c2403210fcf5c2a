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
