package detect_test

import (
	"math/rand/v2"
	"regexp"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// deafFarms are farms by how long those of their links that go deaf stay so, and which these are. Orchard's own link loses
// nothing until it fails at the end.
var deafFarms = []struct {
	name        string
	stays       float64 // reports lost in a row, on the mean
	deaf        func(d *device) bool
	least, most int // reports that orchard must lose in a row to be told
}{
	{"no link goes deaf", 0, func(*device) bool { return false }, 8, 11},
	{"the others go deaf for two or three reports", 2.5, others, 9, 16},
	{"the others go deaf for eight", 8, others, 18, 34},
	{"one other goes deaf for eight", 8, func(d *device) bool { return d.source == "zone/hazel" }, 14, 30},
}

func others(d *device) bool { return d.source != "zone/orchard" }

// deafNowAndThen has the links named go deaf twice a day.
func (b *bench) deafNowAndThen(stays float64, who func(*device) bool) {
	left := map[*device]bool{}
	b.alter = func(d *device, _ *pulse.Reading) bool {
		if !who(d) {
			return true
		}
		chance := 1 / 720.0
		if left[d] {
			chance = 1 - 1/stays
		}
		left[d] = b.rng.Float64() < chance
		return !left[d]
	}
}

// How long a link that has never gone deaf may stay so is learnt from the farm's others: it is told as soon as that is beyond
// them, and no sooner.
func TestSilenceWaitsAsLongAsTheFarmsLinksStayDeaf(t *testing.T) {
	for _, tt := range deafFarms {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.deafNowAndThen(tt.stays, tt.deaf)
			b.run(6 * 24 * time.Hour)
			b.events = nil
			keep, died := b.alter, b.now
			b.alter = func(d *device, r *pulse.Reading) bool { return keep(d, r) && d.source != "zone/orchard" }
			b.run(2 * time.Hour)
			a := toldSilent(b, "zone/orchard")
			if a == nil {
				t.Fatal("not told of in two hours")
			}
			after := int(a.raised.Sub(died).Minutes())
			t.Logf("told after %d reports", after)
			if after < tt.least || after > tt.most {
				t.Errorf("told after %d reports, want %d to %d", after, tt.least, tt.most)
			}
		})
	}
}

// A memory saved before deaf runs were kept apart still says how long the links stay deaf.
func TestOldMemoryTellsHowLongLinksStayDeaf(t *testing.T) {
	f := paddocks()
	b := newBench(t, f)
	b.deafNowAndThen(8, others)
	b.run(6 * 24 * time.Hour)
	memory, err := b.watch.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	old := regexp.MustCompile(`"(Deaf|Stayed)":[^,]*,`).ReplaceAll(memory, nil)
	if len(old) == len(memory) {
		t.Fatal("nothing taken out: the test shows nothing")
	}
	b.watch = newWatch(t, f)
	if err := b.watch.UnmarshalBinary(withSum(old)); err != nil {
		t.Fatal(err)
	}
	b.events = nil
	keep, died := b.alter, b.now
	b.alter = func(d *device, r *pulse.Reading) bool { return keep(d, r) && d.source != "zone/orchard" }
	b.run(2 * time.Hour)
	if a := toldSilent(b, "zone/orchard"); a == nil {
		t.Error("not told of in two hours")
	} else if after := a.raised.Sub(died).Minutes(); after < 18 || after > 34 {
		t.Errorf("told after %.0f reports, want 18 to 34", after)
	}
}

func toldSilent(b *bench, source string) *told {
	for _, a := range b.alarms() {
		if a.first().Cause == alerts.SensorSilent && string(a.first().Source) == source {
			return a
		}
	}
	return nil
}

// Losing the odd report says nothing of how long a link stays deaf, whichever it does more often.
func TestOddLossesDoNotShortenDeafRuns(t *testing.T) {
	const farms, days, most = 8, 20, 2
	wrong := 0
	for seed := range uint64(farms) {
		b := newBench(t, paddocks())
		b.rng = rand.New(rand.NewPCG(seed, 41))
		b.deafNowAndThen(6, func(*device) bool { return true })
		deaf := b.alter
		b.alter = func(d *device, r *pulse.Reading) bool { return deaf(d, r) && b.rng.Float64() > 0.05 }
		b.run(days * 24 * time.Hour)
		wrong += len(b.alarms())
	}
	t.Logf("%d told by mistake in %d sensor-months", wrong, farms*days*5/30)
	if wrong > most {
		t.Errorf("%d silences told by mistake in %d sensor-months, want at most %d", wrong, farms*days*5/30, most)
	}
}
