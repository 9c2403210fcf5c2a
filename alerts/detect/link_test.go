package detect_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// losses are links that lose reports, each sensor by itself.
var losses = []struct {
	name string
	loss float64 // share of reports
	run  float64 // mean length of a run of lost ones; 1 when each is lost by itself
	most int     // silences told by mistake while the links' records are short
}{
	{"one in ten", 0.10, 1, 0},
	{"one in ten, in runs of two", 0.10, 2, 0},
	{"three in ten", 0.30, 1, 0},
	{"one in five, in runs of three", 0.20, 3, 0},
	{"one in a hundred, in runs of four", 0.01, 4, 3},
	{"one in thirty, in runs of eight", 0.033, 8, 2},
}

// lossy drops reports of each device by a chain of two states.
func (b *bench) lossy(loss, run float64) {
	lost := map[*device]bool{}
	again := 1 - 1/run
	begin := loss * (1 - again) / (1 - loss)
	b.alter = func(d *device, _ *pulse.Reading) bool {
		chance := begin
		if lost[d] {
			chance = again
		}
		lost[d] = b.rng.Float64() < chance
		return !lost[d]
	}
}

// A bad link for a month is no silence; a sensor that then truly stops is.
func TestLossyMonth(t *testing.T) {
	for _, tt := range losses {
		t.Run(tt.name, func(t *testing.T) {
			f := slowFarm()
			reportEvery(f, 2*time.Minute)
			b := newBench(t, f)
			if tt.run == 1 {
				tt.run = 1 / (1 - tt.loss) // every report by itself
			}
			b.lossy(tt.loss, tt.run)
			b.run(30 * 24 * time.Hour)
			before := b.alarms()
			for _, a := range before {
				if a.first().Cause != alerts.SensorSilent || a.over.IsZero() || a.first().Priority == alerts.High {
					t.Errorf("told %s, cause %s: %s", a.first().Source, a.first().Cause, a.first().Text)
				}
			}
			if len(before) > tt.most {
				b.show()
				t.Fatalf("%d silences in a month of a bad link, want at most %d", len(before), tt.most)
			}
			t.Logf("%d silences told by mistake", len(before))
			b.events = nil
			keep := b.alter
			b.alter = func(d *device, r *pulse.Reading) bool { return d.source != "zone/orchard" && keep(d, r) }
			died := b.now
			b.run(4 * time.Hour)
			if a := b.only(); a.first().Cause != alerts.SensorSilent || a.first().Source != "zone/orchard" {
				t.Errorf("told %s, cause %s", a.first().Source, a.first().Cause)
			} else {
				t.Logf("silence told after %s", a.raised.Sub(died).Round(time.Minute))
			}
		})
	}
}

// A link may lose one report in ten by itself and go deaf for minutes beside: the many short runs say nothing of how long
// the few long ones are.
func TestLinkThatAlsoGoesDeaf(t *testing.T) {
	f := paddocks()
	reportEvery(f, 2*time.Minute)
	b := newBench(t, f)
	deaf := map[*device]bool{}
	b.alter = func(d *device, _ *pulse.Reading) bool {
		chance := 0.003
		if deaf[d] {
			chance = 0.6
		}
		deaf[d] = b.rng.Float64() < chance
		return !deaf[d] && b.rng.Float64() > 0.1
	}
	b.run(30 * 24 * time.Hour)
	if n := len(b.alarms()); n > 3 {
		b.show()
		t.Errorf("%d silences told in a month by mistake, want at most 3 while the record is short", n)
	}
}

// Links that go deaf for minutes now and then are what sensors on cheap radios have. Such a silence is told by mistake
// less than once in a year of one sensor, the days in which its record is short counted in.
func TestDeafLinksTellLittle(t *testing.T) {
	t.Parallel()
	checkMistakes(t, 12, 77, func(b *bench) {
		deaf := map[*device]bool{}
		b.alter = func(d *device, _ *pulse.Reading) bool {
			chance := 0.002
			if deaf[d] {
				chance = 0.8
			}
			deaf[d] = b.rng.Float64() < chance
			return !(deaf[d] && b.rng.Float64() < 0.9) && b.rng.Float64() > 0.01
		}
	})
}

// checkMistakes plays so many farms of sound sensors for twenty days, each with its links made to lose, and allows two
// silences told by mistake on all of them.
func checkMistakes(t *testing.T, farms int, seed uint64, lose func(b *bench)) {
	t.Helper()
	const days, most = 20, 2
	wrong := 0
	for farm := range uint64(farms) {
		b := newBench(t, paddocks())
		b.rng = rand.New(rand.NewPCG(farm, seed))
		lose(b)
		b.run(days * 24 * time.Hour)
		wrong += len(b.alarms())
	}
	t.Logf("%d told by mistake in %d sensor-months", wrong, farms*days*5/30)
	if wrong > most {
		t.Errorf("%d silences told by mistake in %d sensor-months, want at most %d", wrong, farms*days*5/30, most)
	}
}

// faultsUnseen are faults that begin while something keeps them from being heard.
var faultsUnseen = []struct {
	name string
	mute func(d *device) bool
	also alerts.Cause // the alarm of the silence itself
}{
	{"while the link is lost", func(*device) bool { return true }, alerts.LinkLost},
	{"while its own sensor is silent", func(d *device) bool { return d.source == "zone/hazel" }, alerts.SensorSilent},
	{"while a neighbour is silent", func(d *device) bool { return d.source == "zone/orchard" }, alerts.SensorSilent},
}

// A fault that begins unheard is told when it can be, beside the silence.
func TestFaultWhileUnheard(t *testing.T) {
	for _, tt := range faultsUnseen {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(30 * time.Hour)
			muted := true
			b.alter = func(d *device, _ *pulse.Reading) bool { return !muted || !tt.mute(d) }
			b.run(2 * time.Hour)
			b.zone("hazel").parted, b.zone("hazel").part = true, 0.5
			b.run(2 * time.Hour)
			muted = false
			back := b.now
			b.run(time.Hour)
			var silence, fault []*told
			for _, a := range b.alarms() {
				switch a.first().Cause {
				case tt.also:
					silence = append(silence, a)
				case alerts.Open:
					fault = append(fault, a)
				default:
					t.Errorf("told %s, cause %s: %s", a.first().Source, a.first().Cause, a.first().Text)
				}
			}
			if len(silence) != 1 || silence[0].over.IsZero() {
				b.show()
				t.Fatalf("%d alarms of the silence, want one that returned", len(silence))
			}
			if len(fault) != 1 || fault[0].raised.After(back.Add(4*time.Minute)) {
				b.show()
				t.Fatalf("%d alarms of the fault, want one within minutes of %s", len(fault), back)
			}
			if s := fault[0].last().Source; s != "zone/hazel" {
				t.Errorf("came to say %s, want hazel", s)
			}
		})
	}
}

// clocks are stamps that differ from arrivals.
var clocks = []struct {
	name  string
	stamp func(arrived time.Time) time.Time
}{
	{"slow by a steady hour", func(a time.Time) time.Time { return a.Add(-time.Hour) }},
	{"slow by a steady three minutes", func(a time.Time) time.Time { return a.Add(-3 * time.Minute) }},
	{"fast by four minutes", func(a time.Time) time.Time { return a.Add(4 * time.Minute) }},
	{"losing a minute a day", func(a time.Time) time.Time {
		return a.Add(-time.Duration(a.Sub(start).Hours() / 24 * float64(time.Minute)))
	}},
	{"gaining half a minute a day", func(a time.Time) time.Time {
		return a.Add(time.Duration(a.Sub(start).Hours() / 24 * float64(30*time.Second)))
	}},
	{"set back by a day on the fifth", func(a time.Time) time.Time {
		if a.Sub(start) > 5*24*time.Hour+12*time.Hour {
			return a.Add(-24 * time.Hour)
		}
		return a
	}},
	{"whole minutes only", func(a time.Time) time.Time { return a.Truncate(time.Minute) }},
}

// A wrong clock neither wakes anyone nor hides a fault.
func TestWrongClocks(t *testing.T) {
	for _, tt := range clocks {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.alter = func(d *device, r *pulse.Reading) bool {
				if d.source == "zone/lane" {
					r.At = pulse.Stamp(tt.stamp(r.Arrived), r.Arrived)
				}
				return true
			}
			b.run(6 * 24 * time.Hour)
			b.quiet()
			b.zone("lane").parted = true
			from := b.now
			b.run(time.Hour)
			a := b.only()
			if late := a.raised.Sub(from); a.first().Source != "zone/lane" || late > 4*time.Minute {
				t.Errorf("told %s after %s, want lane within four minutes", a.first().Source, late)
			}
			b.zone("lane").mend()
			b.run(time.Hour)
			if a = b.only(); a.over.IsZero() {
				t.Error("did not return")
			}
		})
	}
}

func (s *span) mend() { s.short, s.parted, s.inLine = 0, false, 0 }

// Duplicates and readings out of order change nothing that is said.
func TestDuplicatesAndDisorder(t *testing.T) {
	play := func(disorder bool) *bench {
		b := newBench(t, paddocks())
		held := map[*device]pulse.Reading{}
		b.alter = func(d *device, r *pulse.Reading) bool {
			if !disorder {
				return true
			}
			if old, ok := held[d]; ok { // the one before, again and late
				old.Arrived = r.Arrived
				b.events = append(b.events, b.watch.Observe(*r)...)
				b.events = append(b.events, b.watch.Observe(old)...)
				b.events = append(b.events, b.watch.Observe(*r)...)
				held[d] = *r
				return false
			}
			held[d] = *r
			return true
		}
		b.run(30 * time.Hour)
		b.zone("hazel").parted = true
		b.run(2 * time.Hour)
		b.wires["cartshed"].mend()
		b.run(2 * time.Hour)
		return b
	}
	plain, mixed := play(false).only(), play(true).only()
	if plain.id != mixed.id || !plain.over.Equal(mixed.over) {
		t.Errorf("in order %s until %s, with duplicates and disorder %s until %s", plain.id, plain.over, mixed.id, mixed.over)
	}
}

// calendars are days on which the farm's clock does something odd.
var calendars = []struct {
	name, zone string
	from       time.Time
}{
	{"clocks go forward", "Europe/Dublin", time.Date(2026, 3, 26, 11, 0, 0, 0, time.UTC)},
	{"clocks go back", "Europe/Dublin", time.Date(2026, 10, 22, 11, 0, 0, 0, time.UTC)},
	{"midnight does not exist", "America/Santiago", time.Date(2026, 9, 3, 11, 0, 0, 0, time.UTC)},
	{"the year ends", "Pacific/Auckland", time.Date(2026, 12, 28, 11, 0, 0, 0, time.UTC)},
	{"a leap day", "Asia/Kathmandu", time.Date(2028, 2, 26, 11, 0, 0, 0, time.UTC)},
}

// Growth goes on being told once a day, at the farm's own midnight, whatever the clocks do.
func TestOddDays(t *testing.T) {
	for _, tt := range calendars {
		t.Run(tt.name, func(t *testing.T) {
			loc, err := time.LoadLocation(tt.zone)
			if err != nil {
				t.Fatal(err)
			}
			f := slowFarm()
			f.Location = loc
			b := newBench(t, f)
			b.now = tt.from
			for i, d := range b.devices {
				d.next = tt.from.Add(time.Duration(i) * 7 * time.Second)
			}
			b.while = func(now time.Time) {
				b.zone("lane").leak = 1.5e-4 * math.Exp(0.12*now.Sub(tt.from).Hours()/24)
			}
			b.run(12 * 24 * time.Hour)
			a := b.about("zone/lane", alerts.Growth)
			if len(a.events) < 4 {
				b.show()
				t.Fatalf("%d events: the test shows nothing", len(a.events))
			}
			for i, e := range a.events {
				first := time.Date(e.Time.In(loc).Year(), e.Time.In(loc).Month(), e.Time.In(loc).Day(), 0, 0, 0, 0, loc)
				if d := e.Time.Sub(first); d < 0 || d > time.Minute {
					t.Errorf("%s %s, that is %s after the day began", e.Kind, e.Time.In(loc), d)
				}
				if i > 0 && e.Time.In(loc).YearDay() == a.events[i-1].Time.In(loc).YearDay() {
					t.Errorf("twice on %s", e.Time.In(loc))
				}
			}
		})
	}
}

// extremes are readings at the edge of what a sensor may send.
var extremes = []struct {
	name  string
	volts func(n int) float64
}{
	{"nothing, always", func(int) float64 { return 0 }},
	{"29 kV, always", func(int) float64 { return 29_000 }},
	{"one and the other", func(n int) float64 { return float64(n%2) * 29_000 }},
	{"a volt", func(int) float64 { return 1 }},
	{"29 kV, then nothing", func(n int) float64 { return map[bool]float64{true: 29_000}[n < 300] }},
}

// Extreme readings of one sensor or of all end in sound events.
func TestExtremes(t *testing.T) {
	t.Parallel()
	for _, tt := range extremes {
		for _, who := range []farm.Source{"", "zone/brook", "zone/lane", "energizer/cartshed"} {
			t.Run(tt.name+" "+string(who), func(t *testing.T) {
				b := newBench(t, paddocks())
				n := 0
				b.alter = func(d *device, r *pulse.Reading) bool {
					if who == "" || d.source == who {
						r.Set(pulse.Volts, tt.volts(n/5))
						r.Set(pulse.EarthVolts, tt.volts(n))
						r.Set(pulse.SupplyVolts, math.Mod(tt.volts(n), 1000))
						n++
					}
					return true
				}
				b.run(8 * time.Hour)
				b.alter = nil
				b.run(26 * time.Hour)
				b.alarms()
			})
		}
	}
}

// What fails while the link is lost is there when it comes back. The first sensor to be heard then is odd before the
// others are heard at all, and these bear witness all the same, each from what it showed before: a fence that has lost
// the same everywhere is the energizer's.
func TestFailsWhileTheLinkIsLost(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	b.alter = func(*device, *pulse.Reading) bool { return false }
	b.run(20 * time.Minute)
	power(0.4)(b)
	b.run(30 * time.Minute)
	b.alter = nil
	b.run(time.Hour)
	seen := 0
	for _, a := range b.alarms() {
		if a.first().Cause == alerts.LinkLost {
			continue
		}
		seen++
		if e := a.first(); e.Cause != alerts.EnergizerWeak || len(e.Evidence) < 5 {
			b.show()
			t.Errorf("told first as %s of %s by %d, want the energizer by all five", e.Cause, e.Source, len(e.Evidence))
		}
	}
	if seen != 1 {
		b.show()
		t.Errorf("%d alarms beside the link's, want one", seen)
	}
}
