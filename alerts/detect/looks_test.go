package detect

import "testing"

// Nothing is held against looks at the fence from before a trim: by the evening after, dew on what is still grown would look, against
// them, like a joint that went bad. A wire that parts within a loop, or a bad joint, takes some zone down and is no trim.
func TestLooksFromBeforeATrim(t *testing.T) {
	before := [][]float64{{5500, 3600, 2700, 2500}, {5300, 3440, 2500, 2520}, {5100, 3000, 2100, 0}}
	for _, tt := range []struct {
		name string
		now  []float64
		want bool
	}{
		{"one zone was cut", []float64{7400, 6640, 4490, 4520}, true},
		{"one zone was cut, another is not heard", []float64{7400, 6640, 0, 0}, true},
		{"it dries", []float64{5550, 3700, 2800, 2700}, false},
		{"a wire has parted within a loop", []float64{5800, 4200, 1700, 2600}, false},
		{"only one that had not been heard is up", []float64{5200, 3100, 2150, 2700}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := aFence(t)
			for i, levels := range before {
				f.Shift.keep(ms(i)*everyLook/4, levels)
			}
			if got := f.Shift.cut(tt.now); got != tt.want {
				t.Errorf("cut: %t, want %t", got, tt.want)
			}
		})
	}
	if f := aFence(t); f.Shift.cut(before[0]) {
		t.Error("cut, with no look before")
	}
}

// After a trim nothing is held against the looks before it.
func TestTrimForgetsLooks(t *testing.T) {
	f := aFence(t)
	now := ms(0)
	look := func(levels ...float64) (oldest ms) {
		now += rebaseEvery
		f.w.state.Now = now
		for i, v := range levels {
			s := f.tracks[i]
			s.Heard, s.LastHeard, s.LastSeen, s.LastVal = true, now, now, v
			s.restart(v)
		}
		f.checkShift(now)
		return f.Shift.near(0).At
	}
	for range 3 {
		look(5500, 3600, 2700)
	}
	if at := look(5500, 3650, 2720); at != rebaseEvery {
		t.Errorf("the oldest look that counts in quiet is of %d ms, want the first", at)
	}
	if at := look(7400, 6600, 4500); at != now {
		t.Errorf("the oldest look that counts after a trim is of %d ms, want its own at %d", at, now)
	}
	if at := look(7300, 6500, 4500); at != now-rebaseEvery {
		t.Errorf("the oldest look that counts is of %d ms, want that of the trim", at)
	}
}
