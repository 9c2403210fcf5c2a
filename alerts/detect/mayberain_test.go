package detect_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// often are periods of the sensors at which the next reading is not far.
var often = []time.Duration{time.Minute, 2 * time.Minute}

// allEvery has all sensors report so often.
func allEvery(d time.Duration) func(*farm.Farm) { return func(f *farm.Farm) { reportEvery(f, d) } }

// onAFence plays what comes to a fence of zones that have not much more than they need, and returns what is told of it
// within forty minutes, and when it came.
func onAFence(t *testing.T, seed uint64, paces func(*farm.Farm), comes func(*bench)) (told []*told, came time.Time) {
	t.Helper()
	f := paddocks()
	paces(f)
	needing(f, 5800)
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM = 1000
	}
	b := newBench(t, f)
	b.rng, b.noise = rand.New(rand.NewPCG(seed, 31)), 0.014
	b.draws(1e-4 + 2e-4*b.rng.Float64())
	b.run(30*time.Hour + time.Duration(b.rng.IntN(600))*time.Second)
	b.events = nil
	came = b.now
	comes(b)
	b.run(40 * time.Minute)
	return b.alarms(), came
}

// The first that is seen of a downpour may be a path to earth as well. Where the next reading is not far nobody is woken
// before it to look for a wire on the ground.
func TestFirstOfADownpour(t *testing.T) {
	t.Parallel()
	wrong, wet := 0, 0
	for _, every := range often {
		for seed := uint64(0); seed < 200; seed += 2 {
			all, _ := onAFence(t, seed, allEvery(every), func(b *bench) {
				b.downpour(1.6+2*b.rng.Float64(), time.Duration(3+3*b.rng.Float64())*time.Minute)
			})
			for _, a := range all {
				switch a.first().Cause {
				case alerts.Short:
					wrong++
				case alerts.Vegetation:
					wet++
				}
			}
		}
	}
	if wrong > 10 || wet < 150 {
		t.Errorf("in 200 downpours %d alarms of a wire on the ground and %d of wet growth, want at most 10 and at least 150", wrong, wet)
	}
}

// A wire that comes to lie on the ground is told as soon as ever.
func TestWireOnTheGroundIsToldAsSoon(t *testing.T) {
	t.Parallel()
	found, late := 0, time.Duration(0)
	for _, every := range often {
		for seed := uint64(1); seed < 100; seed += 2 {
			all, fell := onAFence(t, seed, allEvery(every), func(b *bench) {
				z := b.farm.Zones[b.rng.IntN(len(b.farm.Zones))].Name
				short(z, 300+1000*b.rng.Float64(), b.rng.Float64())(b)
			})
			if len(all) > 0 && all[0].first().Cause == alerts.Short {
				found++
				late += all[0].raised.Sub(fell)
			}
		}
	}
	if mean := late / time.Duration(max(1, found)); found < 88 || mean > 100*time.Second {
		t.Errorf("told of %d of 100 wires on the ground, after %s in the mean; want 88 and 100 s", found, mean)
	}
}

// A wire on the ground is told though nothing more is heard once the first of it might have been rain.
func TestToldThoughTheLinkFails(t *testing.T) {
	t.Parallel()
	told := 0
	for seed := uint64(1); seed < 120; seed += 2 {
		soon := func(heard time.Duration) bool {
			all, fell := onAFence(t, seed, ownPaces, func(b *bench) {
				z, came := b.farm.Zones[b.rng.IntN(len(b.farm.Zones))].Name, b.now
				short(z, 300+2500*b.rng.Float64(), b.rng.Float64())(b)
				b.alter = func(*device, *pulse.Reading) bool { return b.now.Sub(came) < heard }
			})
			return len(all) > 0 && all[0].first().Cause == alerts.Short && all[0].raised.Sub(fell) < 6*time.Minute
		}
		if soon(time.Hour) {
			told++
			if !soon(245 * time.Second) {
				t.Errorf("wire %d on the ground is not told when the link fails", seed)
			}
		}
	}
	if told < 40 {
		t.Errorf("only %d of 60 are told soon", told)
	}
}
