package web

import (
	"math/rand/v2"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/weather"
)

// rained reports whether rain fell at a time: some days, some hours.
func rained(t time.Time) bool {
	day := uint64(t.Unix() / 86400)
	r := rand.New(rand.NewPCG(day, 9))
	return r.Float64() < .28 && t.Hour() >= 3+int(r.Uint64N(8)) && t.Hour() < 9+int(r.Uint64N(10))
}

// weather is a dry June by a station without a snow gauge, and what people said of it since.
func (f *fakeFarm) weather() Weather {
	w := Weather{Station: true, HeardAt: f.now.Add(-3 * time.Minute), TempC: ptr(11.4), WindMS: ptr(2.0), RainMM: ptr(0.0), Hints: f.hints}
	for _, a := range f.acts {
		if a.Kind == alerts.Weathered {
			w.Said = append(w.Said, Said{*a.Weather, a.Time, a.By})
		}
	}
	return w
}

// dryTurn gives the farm a long dry spell.
func (f *fakeFarm) dryTurn() *fakeFarm {
	f.hints = weather.Record{Said: []alerts.Action{{Kind: alerts.Weathered, Weather: &alerts.Weather{Sky: alerts.Dry, To: f.now.Add(-30 * time.Hour)}}}}.
		Hints(f.now, dublin)
	return f
}
