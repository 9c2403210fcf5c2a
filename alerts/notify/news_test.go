package notify

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// TestUpdatesSayWhatChanged: whoever was woken before has the first message in their head, and nobody compares two in
// the dark.
func TestUpdatesSayWhatChanged(t *testing.T) {
	type change = func(f *alerts.Finding)
	for _, tt := range []struct {
		name     string
		old, now change
		want     string
	}{
		{"low, then dead", nil, func(f *alerts.Finding) { f.Condition = alerts.Dead }, "Worse now: "},
		{"it may wake now", func(f *alerts.Finding) { f.Priority = alerts.Medium }, nil, "Worse now: "},
		{"another cause", nil, func(f *alerts.Finding) { f.Cause = alerts.Vegetation }, "Other cause: "},
		{"a first cause", func(f *alerts.Finding) { f.Cause = alerts.Unknown }, nil, "Cause now known: "},
		{"dead, and of another cause", nil, func(f *alerts.Finding) { f.Condition, f.Cause = alerts.Dead, alerts.Open }, "Worse, other cause: "},
		{"dead, and elsewhere", nil, func(f *alerts.Finding) { f.Condition, f.Source = alerts.Dead, "zone/hazel" }, "Worse, other place: "},
		{"elsewhere", nil, func(f *alerts.Finding) { f.Source = "zone/hazel" }, "Other place: "},
		{"a first place", nil, func(f *alerts.Finding) { f.DistanceM = new(120.0) }, "Place now known: "},
		{"another place", func(f *alerts.Finding) { f.DistanceM = new(220.0) }, func(f *alerts.Finding) { f.DistanceM = new(120.0) }, "Other place: "},
		{"more zones", nil, func(f *alerts.Finding) { f.Zones = []string{"hazel", "brook"} }, "More zones: "},
		{"fewer zones", nil, func(f *alerts.Finding) { f.Zones = nil }, "Fewer zones: "},
		{"other zones", nil, func(f *alerts.Finding) { f.Zones = []string{"brook"} }, "More is known: "},
		{"better", nil, func(f *alerts.Finding) { f.Condition = alerts.Dropping }, "Less bad now: "},
		{"it may wait now", nil, func(f *alerts.Finding) { f.Priority = alerts.Medium }, "Less bad now: "},
		{"it comes and goes", nil, func(f *alerts.Finding) { f.Condition = alerts.Intermittent }, "More is known: "},
		{"it came and went, then it is dead", func(f *alerts.Finding) { f.Condition = alerts.Intermittent }, func(f *alerts.Finding) { f.Condition = alerts.Dead }, "Worse now: "},
		{"weak, then off", func(f *alerts.Finding) { f.Condition = alerts.Weak }, func(f *alerts.Finding) { f.Condition = alerts.Off }, "Worse now: "},
		{"dead, then the energizer is off", func(f *alerts.Finding) { f.Condition = alerts.Dead },
			func(f *alerts.Finding) { f.Condition, f.Cause = alerts.Off, alerts.EnergizerOff }, "Other cause: "},
		{"may be something else", nil, func(f *alerts.Finding) { f.Or = alerts.EnergizerWeak }, "More is known: "},
	} {
		t.Run(tt.name, func(t *testing.T) {
			old := trouble("zone/lane", alerts.Low, alerts.Short, alerts.High)
			old.KV, old.Zones = new(1.8), []string{"hazel"}
			now := old
			for f, c := range map[*alerts.Finding]change{&old: tt.old, &now: tt.now} {
				if c != nil {
					c(f)
				}
			}
			c := call(clock(t, "21 02:10"), now)
			c.Said = &old
			w := words{cfg: testConfig(t), now: clock(t, "21 02:14")}
			subject, body := w.message(alerts.TellUpdated, []*Call{c})
			if !strings.HasPrefix(subject, tt.want) {
				t.Errorf("got %q, want it to begin %q", subject, tt.want)
			}
			first, _, _ := strings.Cut(strings.TrimSuffix(tt.want, ": "), ", ")
			if got := w.lead(alerts.TellUpdated, c).short; !strings.HasPrefix(upper(got), first) || strings.Contains(got, ",") {
				t.Errorf("in short %q, want %q", got, first)
			}
			if !strings.Contains(body, "\nTold before: lane is ") {
				t.Errorf("does not say what was told before:\n%s", body)
			}
			if said := strings.Contains(body, "; cause: "+why(old)+".\n"); said != (why(old) != why(now)) {
				t.Errorf("says the cause told before: %t:\n%s", said, body)
			}
			checkLetter(t, subject, body)
		})
	}
}

// TestSeveralUpdatesSayWhatChanged, each for itself.
func TestSeveralUpdatesSayWhatChanged(t *testing.T) {
	var about []*Call
	for _, zone := range []string{"brook", "lane"} {
		old := trouble(farm.ZoneSource(zone), alerts.Low, alerts.Short, alerts.High)
		now := old
		now.Condition = alerts.Dead
		if zone == "lane" {
			now.Condition, now.Zones = alerts.Low, []string{"hazel"}
		}
		c := call(clock(t, "21 02:10"), now)
		c.Said = &old
		about = append(about, c)
	}
	w := words{cfg: testConfig(t), now: clock(t, "21 02:14")}
	subject, body := w.message(alerts.TellUpdated, about)
	for _, part := range []string{"2 alarms: worse now: brook is dead", "Brook first"} {
		if !strings.Contains(subject, part) {
			t.Errorf("%q is not in %q", part, subject)
		}
	}
	for _, part := range []string{"- Worse now: brook is dead, since", "- More zones: lane is low, and hazel with it, since"} {
		if !strings.Contains(body, part) {
			t.Errorf("%q is not in\n%s", part, body)
		}
	}
	checkLetter(t, subject, body)
}

// TestEverybodyIsToldWhatChanged: what one person was told a moment before is not held to be known to the next, who may
// be told in the same moment or, having been called just now, after half a minute; and be the watch started again
// between the two.
func TestEverybodyIsToldWhatChanged(t *testing.T) {
	for _, tt := range []struct {
		name    string
		after   time.Duration // Bram is called after 15 minutes
		restart bool
	}{
		{"at one moment", 16 * time.Minute, false},
		{"one after the other", 15*time.Minute + 10*time.Second, false},
		{"a restart between them", 15*time.Minute + 10*time.Second, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := testConfig(t)
			d, kept := newDesk(t, cfg), map[string]alerts.Saved{}
			told := map[string]time.Time{}
			at := clock(t, "21 12:00")
			take := func(s alerts.Step) {
				for _, v := range s.Saved {
					kept[v.Kind+"|"+v.Key] = v
				}
				for _, m := range s.Messages {
					if m.Kind == alerts.TellUpdated && strings.HasPrefix(m.Subject, "Worse now: lane is dead") && strings.Contains(m.Body, "\nTold before: lane is low") {
						told[m.Person] = at
					}
				}
			}
			e := deadZone("x", at, "lane")
			e.Condition, e.Cause = alerts.Low, alerts.Short
			take(d.Events(at, e))
			for worse := at.Add(tt.after); at.Before(worse); at = at.Add(10 * time.Second) {
				take(d.Tick(at))
			}
			e.Kind, e.Time, e.Condition = alerts.Updated, at, alerts.Dead
			take(d.Events(at, e))
			if tt.restart {
				d = newDesk(t, cfg)
				if err := d.Load(slices.Collect(maps.Values(kept)), nil); err != nil {
					t.Fatal(err)
				}
			}
			for end := at.Add(5 * time.Minute); at.Before(end); at = at.Add(10 * time.Second) {
				take(d.Tick(at))
			}
			if orla, bram := told["Orla"], told["Bram"]; orla.IsZero() || bram.IsZero() || bram.After(orla) != (tt.after < 16*time.Minute) {
				t.Errorf("told at %v that it is worse, want Orla and Bram", told)
			}
		})
	}
}
