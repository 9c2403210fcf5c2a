package rolling

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestWhitenerTakesOutWhatIsInherited(t *testing.T) {
	for _, phi := range []float64{-0.4, 0.25, 0.9} {
		rng := rand.New(rand.NewPCG(3, 4))
		w := NewWhitener(phi)
		var zs, es []float64
		z := rng.NormFloat64()
		for range 20_000 {
			zs = append(zs, z)
			es = append(es, w.Next(z, 1))
			z = phi*z + math.Sqrt(1-phi*phi)*rng.NormFloat64()
		}
		within(t, "autocorrelation", Lag1(zs), phi, 0.02)
		within(t, "whitened autocorrelation", Lag1(es), 0, 4/math.Sqrt(20_000))
		_, sd := MeanSD(es)
		within(t, "whitened sd", sd, 1, 0.02)
	}
}

func TestWhitenerAcrossGaps(t *testing.T) {
	w := NewWhitener(0.5)
	within(t, "first", w.Next(1, 1), 1, 0)
	within(t, "next", w.Next(1, 1), 0.5/math.Sqrt(0.75), 1e-15)
	within(t, "after one lost", w.Next(1, 2), 0.75/math.Sqrt(1-1./16), 1e-15)
	within(t, "gap", w.Next(math.NaN(), 1), math.NaN(), 0)
	within(t, "after a long gap", w.Next(1, 1000), 1, 1e-12)
	w.Reset()
	within(t, "after reset", w.Next(2, 1), 2, 0)

	w.SetPhi(1)
	w.Next(0, 1)
	if e := w.Next(1, 1); math.IsInf(e, 0) || e > 8 {
		t.Errorf("a unit root gives %g", e)
	}
	w.SetPhi(math.NaN())
	within(t, "unknown correlation", w.Next(3, 1), 3, 0)
}

func TestLag1OfConstantIsUnknown(t *testing.T) {
	within(t, "constant", Lag1([]float64{5, 5, 5}), math.NaN(), 0)
	within(t, "nothing", Lag1(nil), math.NaN(), 0)
}
