package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// While a wet fence dries, what a sensor showed before its link went deaf is of a wetter one, and no sensor behind it
// that has dried since has a joint before it, or lies.
func TestDeafLinkWhileTheFenceDries(t *testing.T) {
	for _, deaf := range []string{"lane", "hazel", "brook", "orchard"} {
		t.Run(deaf, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, 10*time.Minute)
			b := newBench(t, f)
			b.deafNowAndThen(8, func(*device) bool { return true }) // so that an hour's silence is nothing
			b.run(8 * 24 * time.Hour)
			b.events = nil
			from := b.now.Add(6 * time.Hour)
			b.alter = func(d *device, _ *pulse.Reading) bool {
				gone := b.now.After(from) && b.now.Before(from.Add(110*time.Minute))
				return string(d.source) != "zone/"+deaf || !gone
			}
			more := map[string]float64{}
			for _, z := range f.Zones {
				more[z.Name] = 8
			}
			b.wetten(more, 10*time.Hour, func(h float64) float64 {
				if h > 5 {
					return expFall(h-5, 3)
				}
				return h / 5
			})
			for _, a := range b.alarms() {
				if a.first().Cause != alerts.SensorSilent && a.first().Cause != alerts.Vegetation {
					b.show()
					t.Fatalf("told %s as %s: %s", a.first().Source, a.first().Cause, a.first().Text)
				}
			}
		})
	}
}
