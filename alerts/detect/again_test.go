package detect_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// touchFor lets a wire touch earth through so many ohms at a part of a zone for a while, and plays on for two hours.
func (b *bench) touchFor(zone string, part, ohms float64, d time.Duration) {
	b.t.Helper()
	short(zone, ohms, part)(b)
	b.run(d)
	mend(zone)(b)
	b.run(2 * time.Hour)
}

// restart has a new watch go on from the memory of the old one.
func (b *bench) restart() {
	b.t.Helper()
	b.watch = reborn(b.t, b.farm, b.watch)
}

// act tells the watch what somebody did there.
func act(kind alerts.ActionKind, source farm.Source) func(b *bench) {
	return func(b *bench) {
		b.events = append(b.events, b.watch.Tell(alerts.Action{Time: b.now, Kind: kind, Source: source})...)
	}
}

// seconds are what touches after a wire touched in the middle of hazel through 300 ohms, and whether that is the same.
var seconds = []struct {
	name string
	zone string
	part float64
	ohms float64
	wait time.Duration
	then func(b *bench) // before it
	back bool
}{
	{"the same within the day", "hazel", 0.5, 300, 10 * time.Hour, nil, true},
	{"after a restart", "hazel", 0.5, 300, 10 * time.Hour, (*bench).restart, true},
	{"days later", "hazel", 0.5, 300, 4 * 24 * time.Hour, nil, true},
	{"a little harder", "hazel", 0.5, 150, 10 * time.Hour, nil, true},
	{"after a week", "hazel", 0.5, 300, 7 * 24 * time.Hour, nil, false},
	{"in another zone", "orchard", 0.5, 300, 10 * time.Hour, nil, false},
	{"at the far end of it", "hazel", 0.99, 300, 10 * time.Hour, nil, false},
	{"much less of it", "hazel", 0.5, 3000, 10 * time.Hour, nil, false},
	{"after hazel was strung anew", "hazel", 0.5, 300, 50 * time.Hour, act(alerts.Restrung, "zone/hazel"), false},
	{"after work at hazel", "hazel", 0.5, 300, 10 * time.Hour, act(alerts.OutOfService, "zone/hazel"), false},
	{"after work elsewhere", "hazel", 0.5, 300, 10 * time.Hour, act(alerts.OutOfService, "zone/orchard"), true},
	{"hazel was strung anew before it", "hazel", 0.5, 300, 50 * time.Hour, func(b *bench) {
		b.events = append(b.events, b.watch.Tell(alerts.Action{Time: b.now, On: start.Add(24 * time.Hour), Kind: alerts.Restrung, Source: "zone/hazel"})...)
	}, true},
	{"a trim mends no wire", "hazel", 0.5, 300, 10 * time.Hour, act(alerts.Trimmed, "zone/hazel"), true},
}

// What touches where something touched and let go of late is told as back, and sent for as what moves; what touches
// elsewhere or otherwise, or where somebody has been at work since, is news. Both wake alike.
func TestTouchComesBack(t *testing.T) {
	for _, tt := range seconds {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(30 * time.Hour)
			b.quiet()
			b.touchFor("hazel", 0.5, 300, 40*time.Minute)
			first := b.only().events[0]
			if len(first.Again) > 0 || !strings.HasSuffix(first.Text, ". Walk there first; switch off before you free it.") {
				t.Errorf("of the first time it says %v: %s", first.Again, first.Text)
			}
			if tt.then != nil {
				tt.then(b)
			}
			b.run(tt.wait)
			b.touchFor(tt.zone, tt.part, tt.ohms, 40*time.Minute)
			all := b.alarms()
			if len(all) != 2 {
				b.show()
				t.Fatalf("%d alarms, want two", len(all))
			}
			e, want := all[1].events[0], []time.Time(nil)
			if tt.back {
				want = []time.Time{first.Time}
			}
			if !slices.Equal(e.Again, want) || e.Dried {
				t.Errorf("told as back since %v, dried %t; want %v", e.Again, e.Dried, want)
			}
			mustSayBack(t, e)
			if e.Priority != first.Priority && tt.ohms == 300 {
				t.Errorf("priority %s after %s", e.Priority, first.Priority)
			}
			if over := all[1].last(); len(over.Again) > 0 {
				t.Errorf("over, and still back since %v", over.Again)
			}
		})
	}
}

// mustSayBack fails the test where the sentence and the evidence of an alarm do not say what its times do.
func mustSayBack(t *testing.T, e alerts.Event) {
	t.Helper()
	times := fmt.Sprintf(" for the %dnd time since ", len(e.Again)+1)
	back := len(e.Again) > 0
	seen := slices.ContainsFunc(e.Evidence, func(s string) bool { return strings.HasPrefix(s, "was so for ") })
	if strings.Contains(e.Text, times) != back || seen != back || strings.Contains(e.Text, "look for a") != back {
		t.Errorf("back since %v: %q, seen %q", e.Again, e.Text, e.Evidence)
	}
}

// What comes and goes for days says since when, and how often it is counted from there. Its memory is bounded, and so is
// what is said of it.
func TestTouchComesBackForDays(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	most := 0
	for range 16 {
		b.touchFor("hazel", 0.5, 300, 20*time.Minute)
		b.run(5*time.Hour + 40*time.Minute)
		a := b.alarms()
		e := a[len(a)-1].events[0]
		if e.Source != "zone/hazel" || len(a) > 1 && len(e.Again) == 0 {
			b.show()
			t.Fatalf("%s is told as news", e.ID)
		}
		most = max(most, len(e.Again))
		if !slices.IsSortedFunc(e.Again, time.Time.Compare) || len(e.Evidence) > len(b.devices)+3 {
			t.Errorf("back since %v, seen %q", e.Again, e.Evidence)
		}
	}
	if most != 12 {
		t.Errorf("remembered %d times, want 12", most)
	}
}

// What is told once more and then comes and goes says since when it has done so.
func TestTouchComesBackAndGoes(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	for range 6 {
		b.touchFor("hazel", 0.5, 300, 20*time.Minute)
		b.run(time.Hour)
	}
	told := 0
	for _, e := range b.events {
		if e.Cause == alerts.CauseIntermittent && len(e.Again) > 0 {
			told++
			if want := " now and then, on and off since " + e.Again[0].Format("15:04") + ". "; !strings.Contains(e.Text, want) {
				t.Errorf("comes and goes since %s: %s", e.Again[0], e.Text)
			}
		}
	}
	if told == 0 {
		b.show()
		t.Error("nothing was told as what comes and goes and is back")
	}
}

// A path to earth that let go by and by is remembered as one that dries, and when it is back a cracked insulator is what
// to look for.
func TestWetPathComesBack(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	s := b.zone("hazel")
	for range 2 {
		began := b.now
		s.part = 0.5
		b.while = func(now time.Time) { // an hour soaked, then dry by and by
			s.short = 1.0 / 300 * math.Min(1, math.Exp(1-now.Sub(began).Hours()))
		}
		b.run(9 * time.Hour)
		b.while, s.short = nil, 0
		b.run(5 * time.Hour)
	}
	var back []alerts.Event
	for _, a := range b.alarms() {
		if e := a.events[0]; len(e.Again) > 0 {
			back = append(back, e)
		}
	}
	if len(back) != 1 || !back[0].Dried || !strings.Contains(back[0].Text, ": something leading to earth for the 2nd time since ") || !strings.Contains(back[0].Text, ", drying off in between, ") || !strings.Contains(back[0].Text, "look for a cracked insulator") {
		b.show()
		t.Errorf("told as back: %v", back)
	}
}

// An insulator that leads when wet and of which no wet has shown that it is mended is remembered; of one that has been
// wet without leading, what leads there next is news.
func TestCrackedInsulatorComesBack(t *testing.T) {
	for _, tt := range []struct {
		name   string
		nights []float64 // how wet those after it are
		back   bool
	}{{"no wet since", []float64{1, 1, 1, 1, 1, 1}, true}, {"wet since", []float64{14, 14}, false}} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.nights(4, nil)
			b.run(6*24*time.Hour + 12*time.Hour)
			b.nights(4, map[string]float64{"orchard": 1.0 / 450})
			b.atNoon()
			b.atNoon()
			for _, wet := range tt.nights {
				b.nights(wet, nil)
				b.atNoon()
			}
			b.while = nil
			if a := b.alarms()[0]; a.over.IsZero() || !a.first().WhenWet {
				b.show()
				t.Fatal("no cracked insulator is over: the test shows nothing")
			}
			told := len(b.alarms())
			b.touchFor("orchard", 0.4, 450, 40*time.Minute)
			e := b.alarms()[told].first()
			if back := len(e.Again) > 0; back != tt.back || e.Dried != tt.back {
				b.show()
				t.Errorf("back since %v, dried %t", e.Again, e.Dried)
			}
		})
	}
}

// A fence that dries while a wire touches it is not what dries off: the wire lets go at a stroke, and is looked for as such.
func TestTouchOnAFenceThatDries(t *testing.T) {
	b := newBench(t, paddocks())
	b.draws(1e-4)
	b.run(30 * time.Hour)
	b.draws(6e-4)
	b.run(8 * time.Hour)
	for range 2 {
		short("hazel", 2000, 0.5)(b)
		b.run(40 * time.Minute)
		began := b.now
		b.while = func(now time.Time) { b.draws(1e-4 + 5e-4*math.Exp(-now.Sub(began).Hours())) }
		b.run(6 * time.Hour)
		mend("hazel")(b)
		b.run(3 * time.Hour)
		b.while = nil
	}
	again := 0
	for _, e := range b.events {
		if e.Cause == alerts.Short && len(e.Again) > 0 {
			again++
			if e.Dried {
				t.Errorf("%s: %s", e.Time, e.Text)
			}
		}
	}
	if again == 0 {
		b.show()
		t.Error("nothing was told as back: the test shows nothing")
	}
}
