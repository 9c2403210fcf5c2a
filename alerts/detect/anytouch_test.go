package detect_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// anyFence draws three to six zones of wire good and bad, some with a slow sensor.
func anyFence(rng *rand.Rand) *farm.Farm {
	f := paddocks()
	f.Zones = nil
	for i := range 3 + rng.IntN(4) {
		by, every := "cartshed", time.Minute
		if i > 0 && rng.IntN(5) > 0 {
			by = fmt.Sprintf("z%d", rng.IntN(i))
		}
		if rng.IntN(6) == 0 {
			every = 5 * time.Minute
		}
		name := fmt.Sprintf("z%d", i)
		f.Zones = append(f.Zones, farm.Zone{
			Name: name, FedBy: by, LengthM: 80 + 420*rng.Float64(), OhmsPerKM: []float64{20, 40, 150, 2000, 2000, 4000}[rng.IntN(6)], MinimumVolts: 2000,
			Sensor: farm.Sensor{Topic: "alder-bank/" + name + "/kv", Every: every},
		})
	}
	return f
}

// unlikeTheFile draws how far the source's ohms are off the farm file's, of which the logarithm has so large a standard
// deviation, and what each span leaks: from three tenths of what it did to most times as much as those.
func (w *wire) unlikeTheFile(rng *rand.Rand, source, most float64) {
	w.source *= math.Exp(source * rng.NormFloat64())
	for i := range w.spans {
		w.spans[i].leak *= math.Exp(math.Log(0.3) + rng.Float64()*math.Log(most))
	}
}

// touchAnywhere lets something touch any zone of any fence for ten hours in which it rains on and off, and returns the
// zone and what was told of it last; empty where nothing was told as coming and going.
func touchAnywhere(t *testing.T, seed uint64) (zone, text string) {
	rng := rand.New(rand.NewPCG(seed, 77))
	f := anyFence(rng)
	b := newBench(t, f)
	b.noise = 0.012
	b.wires["cartshed"].unlikeTheFile(rng, 0.12, 10)
	b.run(30 * time.Hour)
	zone = f.Zones[rng.IntN(len(f.Zones))].Name
	b.touch(zone, math.Exp(math.Log(30)+rng.Float64()*math.Log(40)), 2*time.Minute, 10*time.Minute)
	b.zone(zone).part = 0.05 + 0.85*rng.Float64()
	b.showers()
	b.run(10 * time.Hour)
	for _, e := range slices.Backward(b.events) {
		if e.Cause == alerts.CauseIntermittent && e.Kind != alerts.Returned {
			return zone, e.Text
		}
	}
	return zone, ""
}

// Of contacts that come and go anywhere on any fence, one in ten at the most is told only where it is not, and the most
// are told in one zone or two.
func TestWhatTouchesAnywhereIsToldThere(t *testing.T) {
	t.Parallel()
	const all = 15
	elsewhere, named := 0, 0
	for seed := range uint64(all) {
		zone, text := touchAnywhere(t, seed)
		_, walk, _ := strings.Cut(text, "now and then")
		walk, _, _ = strings.Cut(walk, "look for")
		named += strings.Count(walk, "z")
		if walk != "" && !strings.Contains(walk, zone) && !strings.Contains(walk, "another") {
			t.Logf("fence %d: truly %s: %q", seed, zone, text)
			elsewhere++
		}
	}
	if elsewhere*10 > all {
		t.Errorf("%d of %d are told only where they are not", elsewhere, all)
	}
	if named > 2*all {
		t.Errorf("%d zones are named for %d contacts", named, all)
	}
}
