package rolling

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Copper in wholemeal flour, 24 determinations, µg/g: Analytical Methods Committee, Analyst 114 (1989) 1693.
var copper = [...]float64{2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2,
	5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4, 2.2, 3.5, 3.6, 3.7, 3.7}

func windowOf(size int, xs ...float64) *Window {
	w := NewWindow(size)
	for _, x := range xs {
		w.Add(x)
	}
	return w
}

func TestMedianAndMADOfPublishedData(t *testing.T) {
	w := windowOf(len(copper), copper[:]...)
	// R's median and mad; MASS chem help page.
	within(t, "median", w.Median(), 3.385, 1e-12)
	within(t, "MAD", w.MAD(), 0.355, 1e-12)
	within(t, "sigma", w.Sigma(0), 0.355*1.4826, 1e-6) // R rounds the constant to 1.4826
	mean, sd := MeanSD(w.Values())
	within(t, "mean", mean, 4.2804167, 5e-8)
	within(t, "sd", sd, 5.297396, 5e-7)
}

func TestRollingMedianOfThree(t *testing.T) {
	// A well-known exercise; R's runmed gives the same.
	w := NewWindow(3)
	var got []float64
	for _, x := range []float64{1, 3, -1, -3, 5, 3, 6, 7} {
		if w.Add(x); w.Full() {
			got = append(got, w.Median())
		}
	}
	if diff := cmp.Diff([]float64{1, -1, -1, 3, 5, 6}, got); diff != "" {
		t.Errorf("rolling medians (-want +got):\n%s", diff)
	}
}

func TestQuantileInterpolates(t *testing.T) {
	w := windowOf(5, 40, 10, 20, 30)
	for _, c := range []struct{ p, want float64 }{
		{-1, 10}, {0, 10}, {1. / 3, 20}, {0.5, 25}, {0.75, 32.5}, {1, 40}, {2, 40}, {math.NaN(), math.NaN()},
	} {
		within(t, "quantile", w.Quantile(c.p), c.want, 1e-12)
	}
}

func TestSigmaFloorForQuantisedData(t *testing.T) {
	// Six of nine readings on one 50 V step: the MAD is 0, the noise is not.
	w := windowOf(9, 4000, 4000, 4050, 4000, 3950, 4000, 4000, 4050, 4000)
	within(t, "MAD", w.MAD(), 0, 0)
	within(t, "sigma without floor", w.Sigma(0), 0, 0)
	within(t, "sigma", w.Sigma(50), 37.065, 0.001)

	// The floor is the bound it says it is: rounded normal data of just that sigma puts half of itself on one step.
	inOneStep := math.Erf(25 / w.Sigma(50) / math.Sqrt2)
	within(t, "share on one step", inOneStep, 0.5, 1e-12)
}

func TestEmptyWindowKnowsNothing(t *testing.T) {
	w := NewWindow(3)
	w.Drop()
	for name, got := range map[string]float64{
		"median": w.Median(), "MAD": w.MAD(), "quantile": w.Quantile(0.5), "sigma": w.Sigma(10),
	} {
		within(t, name, got, math.NaN(), 0)
	}
	w.Add(math.NaN())
	w.Add(math.Inf(1))
	if w.Len() != 0 {
		t.Errorf("window took in a gap: %v", w.Values())
	}
}

// naive is a window that sorts for every answer.
type naive struct {
	size   int
	values []float64
}

func (n *naive) add(x float64) {
	n.values = append(n.values, x)
	n.values = n.values[max(0, len(n.values)-n.size):]
}

func (n *naive) drop() {
	if len(n.values) > 0 {
		n.values = n.values[1:]
	}
}

func middle(xs []float64) float64 {
	if len(xs) == 0 {
		return math.NaN()
	}
	xs = slices.Sorted(slices.Values(xs))
	return (xs[(len(xs)-1)/2] + xs[len(xs)/2]) / 2
}

func (n *naive) mad() float64 {
	centre := middle(n.values)
	var ds []float64
	for _, x := range n.values {
		ds = append(ds, math.Abs(x-centre))
	}
	return middle(ds)
}

func (n *naive) compare(t *testing.T, w *Window) {
	t.Helper()
	if !slices.Equal(w.Values(), n.values) {
		t.Fatalf("values = %v, want %v", w.Values(), n.values)
	}
	within(t, "median", w.Median(), middle(n.values), 0)
	within(t, "MAD", w.MAD(), n.mad(), 0)
}

func TestWindowAgainstSorting(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, size := range []int{1, 2, 3, 8, 61} {
		for _, step := range []float64{0, 0.5} { // continuous, and with many ties
			w, n := NewWindow(size), &naive{size: size}
			for range 2000 {
				x := rng.NormFloat64()
				if step > 0 {
					x = math.Round(x/step) * step
				}
				w.Add(x)
				n.add(x)
				if rng.IntN(10) == 0 {
					w.Drop()
					n.drop()
				}
				n.compare(t, w)
			}
		}
	}
}

// FuzzWindow plays every byte as one step: small values, so that ties are common, drops and resets.
func FuzzWindow(f *testing.F) {
	f.Add([]byte{3, 1, 2, 2, 255, 7})
	f.Add([]byte{5, 10, 9, 8, 7, 6, 5, 4, 254, 1, 1, 1})
	f.Fuzz(func(t *testing.T, steps []byte) {
		if len(steps) == 0 {
			return
		}
		size := 1 + int(steps[0])%16
		w, n := NewWindow(size), &naive{size: size}
		for _, b := range steps[1:] {
			switch b {
			case 255:
				w.Drop()
				n.drop()
			case 254:
				w.Reset()
				n.values = nil
			default:
				w.Add(float64(b%32) / 8)
				n.add(float64(b%32) / 8)
			}
			n.compare(t, w)
		}
	})
}
