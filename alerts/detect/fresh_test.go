package detect_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/sim"
	"nightwire/sim/scenario"
)

// draw draws what a fresh season is made of.
type draw struct{ *rand.Rand }

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

func (d draw) of(v ...float64) float64 { return v[d.IntN(len(v))] }

// freshSeason draws a season from a seed: farm, wires, weather and growth like those of nobody. Nothing goes wrong in it
// but what grows; some zones are trimmed, and nobody tells.
func freshSeason(seed uint64) *scenario.Scenario {
	d := draw{rand.New(rand.NewPCG(seed, 4242))}
	latitude, months := d.between(42, 56), 0
	if d.Float64() < 0.25 {
		latitude, months = -d.between(36, 46), 6
	}
	o := sim.Options{
		Start: time.Date(2026, 3, 15+d.IntN(150), 0, 0, 0, 0, time.UTC).AddDate(0, months, 0), Length: 70 * 24 * time.Hour, Seed: seed,
		Farm: &farm.Farm{Name: "fresh", Location: time.UTC, Energizers: []farm.Energizer{{
			Name: "e", Supply: farm.Mains, OpenVolts: d.between(6500, 9200), SourceOhms: d.between(150, 450), EarthOhms: d.between(30, 90),
			PulseEvery: 1300 * time.Millisecond, Sensor: farm.Sensor{Topic: "fresh/e", Every: 10 * time.Minute},
		}}},
		Climate: sim.Climate{LatitudeDeg: latitude, RainHours: d.between(0.03, 0.2), WindMS: d.between(3, 7), MeanC: d.between(8, 13)},
		Grounds: map[string]sim.Ground{},
		Sensors: map[farm.Source]sim.Sensor{"": {
			GainSpread: 0.035, PerC: 0.0003, White: 0.01, Wander: 0.012, StepVolts: 10, FloorVolts: 200, Glitch: 0.0003, Loss: 0.02, Jitter: 3 * time.Second,
		}},
	}
	if d.Float64() < 0.25 {
		from := d.between(5, 30)
		o.Climate.Dry = []sim.Spell{{FromDay: from, ToDay: from + d.between(10, 30)}}
	}
	freshZones(d, &o)
	return &scenario.Scenario{Name: fmt.Sprintf("fresh %d", seed), Options: o}
}

// freshZones draws one to five zones, all of one wire.
func freshZones(d draw, o *sim.Options) {
	ohms, minimum := d.of(30, 113, 400, 2400, 4000, 4000, 5700), d.of(2000, 2500, 2500, 3000, 3500)
	lowest, strands := d.of(180, 200, 250, 300, 400), d.of(1, 2, 2, 3)
	var wires []float64
	for i := range int(strands) {
		wires = append(wires, lowest+250*float64(i))
	}
	for i := range 1 + d.IntN(5) {
		name, feed := fmt.Sprintf("z%d", i), "e"
		if i > 0 {
			feed = fmt.Sprintf("z%d", d.IntN(i))
		}
		o.Farm.Zones = append(o.Farm.Zones, farm.Zone{
			Name: name, FedBy: feed, LengthM: d.between(80, 350), OhmsPerKM: ohms, MinimumVolts: minimum, MinimumGiven: true,
			Sensor: farm.Sensor{Topic: "fresh/" + name, Every: 10 * time.Minute},
		})
		o.Grounds[name] = sim.Ground{WireMM: wires, StartMM: d.between(30, lowest-10), Contact: math.Exp(d.between(-0.5, 1.6)), PushesDay: 3}
		if d.Float64() < 0.3 {
			at := o.Start.AddDate(0, 0, 12+d.IntN(45)).Add(10 * time.Hour)
			o.Acts = append(o.Acts, sim.Act{Kind: sim.Trim, Zone: name, At: at, HeightMM: d.between(50, 90)})
		}
	}
}

// TestFreshSeasons prints how growth is told in seasons that no figure is held to, so that a change can be judged on what
// it was not made for. FRESH gives the first seed and how many.
func TestFreshSeasons(t *testing.T) {
	var first, count uint64
	if n, err := fmt.Sscan(os.Getenv("FRESH"), &first, &count); n != 2 || err != nil {
		t.Skip("skipped: set FRESH to a first seed and a count, such as \"9000 30\", to judge growth on seasons drawn from them")
	}
	var total score
	for seed := first; seed < first+count; seed++ {
		ours, _ := scoreSeason(t, freshSeason(seed), detect.DefaultLimits())
		total.add(ours)
		for _, m := range ours.misses {
			t.Log(seed, m)
		}
	}
	within := 0
	for _, d := range absolute(total.weekAhead) {
		if d <= 2 {
			within++
		}
	}
	t.Logf("warned %s; a week ahead within two days %s, median off %.1f; interval held the day %s; %d false alarms, %.3f a zone-month; %d alarms",
		of(total.warned, total.growths), of(within, len(total.weekAhead)), median(absolute(total.weekAhead)), of(total.spanned, total.dated),
		total.false_, float64(total.false_)/total.zoneMonths, total.raised)
}
