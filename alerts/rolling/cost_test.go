package rolling

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// noise returns n values on a 10 V grid, as a sensor reports them.
func noise(n int) []float64 {
	rng := rand.New(rand.NewPCG(1, 9))
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = 10 * float64(int(400+5*rng.NormFloat64()))
	}
	return xs
}

// updates are one update of each type, warmed up, and one reading of what it tells.
func updates() map[string]func(i int, x float64) {
	const size = 200
	w, c, e := NewWindow(size), NewCUSUM(0.5, 5, 2.5), NewEWMA(0.2, 3)
	white, hampel, mk := NewWhitener(0.5), NewHampel(5, 3, 10), NewMannKendall(size)
	full := windowOf(size, noise(size)...)
	moments, theil, seasonal := &Moments{}, NewTheilSen(size), NewSeasonal(24, 14)
	// What is only kept so that the compiler cannot drop the call.
	var sink float64
	ops := map[string]func(i int, x float64){
		"Window": func(_ int, x float64) {
			w.Add(x)
			sink = w.Median() + w.Sigma(10) + w.Quantile(0.75)
		},
		"CUSUM":       func(_ int, x float64) { c.Add(x/50 - 80) },
		"EWMA":        func(_ int, x float64) { e.Add(x/50 - 80) },
		"Whitener":    func(i int, x float64) { sink = white.Next(x/50-80, 1+i%2) },
		"Hampel":      func(_ int, x float64) { hampel.Add(x) },
		"Moments":     func(_ int, x float64) { moments.Add(x); sink = moments.SD() },
		"MannKendall": func(_ int, x float64) { mk.Add(x); sink = mk.Test().Z() },
		"TheilSen add": func(i int, x float64) {
			theil.Add(float64(i), x)
		},
		"TheilSen fit of 200": func(i int, x float64) {
			theil.Add(float64(i), x)
			trend, _ := theil.Fit(0.95, Interpolated)
			sink = trend.Slope
		},
		"Seasonal fit of 24 by 14": func(i int, x float64) {
			seasonal.Add(i%24, float64(i/24), x)
			trend, _, _ := seasonal.Fit(0.95, Interpolated)
			sink = trend.Slope
		},
		"MeanSD and Lag1 of 200": func(_ int, x float64) {
			full.Add(x)
			_, sink = MeanSD(full.Values())
			sink += Lag1(full.Values())
		},
	}
	_ = sink
	return ops
}

func TestNothingIsAllocatedOnceWarm(t *testing.T) {
	xs := noise(1000)
	for name, op := range updates() {
		t.Run(name, func(t *testing.T) {
			i := 0
			step := func() { op(i, xs[i%len(xs)]); i++ }
			for range 420 { // fills the largest, and slides every ring once
				step()
			}
			if got := testing.AllocsPerRun(100, step); got != 0 {
				t.Errorf("%g allocations per value, want 0", got)
			}
		})
	}
}

func TestMemoryIsBounded(t *testing.T) {
	const size = 50
	w, f := NewWindow(size), NewTheilSen(size)
	for i, x := range noise(10_000) {
		w.Add(x)
		f.Add(float64(i), x)
		f.Fit(0.9, Rounded)
	}
	for name, got := range map[string]int{
		"window": cap(w.arrived.buf) + cap(w.sorted), "points": cap(f.times.buf) + cap(f.values.window.arrived.buf),
	} {
		if got > 4*size {
			t.Errorf("%s keep room for %d values, want at most %d", name, got, 4*size)
		}
	}
	if pairs := size * (size - 1) / 2; cap(f.slopes) > 2*pairs {
		t.Errorf("room for %d slopes, want at most %d", cap(f.slopes), 2*pairs)
	}
}

func BenchmarkUpdate(b *testing.B) {
	xs := noise(4096)
	for name, op := range updates() {
		b.Run(name, func(b *testing.B) {
			for i := range 1000 {
				op(i, xs[i])
			}
			b.ReportAllocs()
			i := 1000
			for b.Loop() {
				op(i, xs[i%len(xs)])
				i++
			}
		})
	}
}

func BenchmarkWindow(b *testing.B) {
	xs := noise(4096)
	for _, size := range []int{60, 300, 1000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			w := NewWindow(size)
			for i := range size {
				w.Add(xs[i])
			}
			i := 0
			for b.Loop() {
				w.Add(xs[i%len(xs)])
				i++
			}
		})
	}
}
