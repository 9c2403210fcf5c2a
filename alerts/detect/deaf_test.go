package detect_test

import (
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
			b.checkSilentAfter(tt.least, tt.most)
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
	b.checkSilentAfter(18, 34)
}

// checkSilentAfter lets orchard's sensor die, which reports each minute, and fails the test unless it is told as silent
// when so many reports in a row have failed.
func (b *bench) checkSilentAfter(least, most int) {
	b.t.Helper()
	b.events = nil
	keep, died := b.alter, b.now
	b.alter = func(d *device, r *pulse.Reading) bool { return keep(d, r) && d.source != "zone/orchard" }
	b.run(2 * time.Hour)
	for _, a := range b.alarms() {
		if a.first().Cause != alerts.SensorSilent || a.first().Source != "zone/orchard" {
			continue
		}
		after := a.raised.Sub(died).Minutes()
		b.t.Logf("told after %.1f reports", after)
		if after < float64(least) || after > float64(most) {
			b.t.Errorf("told after %.1f reports, want %d to %d", after, least, most)
		}
		return
	}
	b.t.Error("not told of in two hours")
}

// Losing the odd report says nothing of how long a link stays deaf, whichever it does more often.
func TestOddLossesDoNotShortenDeafRuns(t *testing.T) {
	t.Parallel()
	checkMistakes(t, 8, 41, func(b *bench) {
		b.deafNowAndThen(6, func(*device) bool { return true })
		deaf := b.alter
		b.alter = func(d *device, r *pulse.Reading) bool { return deaf(d, r) && b.rng.Float64() > 0.05 }
	})
}
