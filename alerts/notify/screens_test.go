package notify

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// screen is what a lock screen shows of an alarm, and what it must say: what, where, since when, what to do first, in
// this order.
type screen struct {
	name   string
	call   *Call
	inside []string
}

// screens has an alarm of every cause, in the condition that it mostly comes in.
func screens(t *testing.T) []screen {
	found := func(name, source string, c alerts.Condition, cause alerts.Cause, kv, along float64, inside ...string) screen {
		f := alerts.Finding{Source: "zone/lane", Condition: c, Cause: cause, Priority: alerts.High, Text: "The detector's own sentence."}
		if source != "" {
			f.Source = alerts.Finding{Source: "energizer/cartshed"}.Source
			if source == "site" {
				f.Source = "site"
			}
		}
		if kv >= 0 {
			f.KV = &kv
		}
		if along >= 0 {
			f.DistanceM = &along
		}
		if c == alerts.Growth {
			f.BelowMinimumOn = new(clock(t, "24 12:00"))
		}
		return screen{name, call(clock(t, "21 02:10"), f), inside}
	}
	return []screen{
		found("short", "", alerts.Low, alerts.Short, 1.8, 240, "Lane is low, 1.8 kV", "the old oak", "since 02:10", "Look for wire on the ground"),
		found("open", "", alerts.Dead, alerts.Open, 0, 240, "Lane is dead", "the old oak", "since 02:10", "Look for a break"),
		found("open, place not known", "", alerts.Dead, alerts.Open, 0, -1, "Lane is dead", "past hazel", "since 02:10", "Look for a break"),
		found("bad-joint", "", alerts.BadJoint, alerts.Joint, 4.4, -1, "Lane has a bad joint", "past hazel", "since 02:10", "clamps"),
		found("bad-joint, dropping", "", alerts.Dropping, alerts.Joint, 4.4, -1, "Lane is below its usual", "since 02:10", "clamps"),
		found("vegetation", "", alerts.Growth, alerts.Vegetation, 4.1, -1, "Lane goes under its minimum", "24 April", "Trim it, the low wire first"),
		found("vegetation, has won", "", alerts.Low, alerts.Vegetation, 2.1, -1, "Lane is low", "since 02:10", "Trim it"),
		found("energizer-off", "energizer", alerts.Off, alerts.EnergizerOff, -1, -1, "Energizer cartshed is off", "since 02:10", "lamp, switch"),
		found("energizer-weak", "energizer", alerts.Weak, alerts.EnergizerWeak, 4.9, -1, "Energizer cartshed is weak", "since 02:10", "Switch off, unhook"),
		found("supply-low", "energizer", alerts.Weak, alerts.SupplyLow, 7.9, -1, "low battery", "since 02:10", "Bring a charged battery"),
		found("poor-earth", "energizer", alerts.Earth, alerts.PoorEarth, -1, -1, "poor earth", "since 02:10", "Test the earth stakes"),
		found("intermittent", "", alerts.Intermittent, alerts.CauseIntermittent, 3.1, -1, "coming and going", "since 02:10", "See to the stock"),
		found("sensor-silent", "", alerts.Silent, alerts.SensorSilent, -1, -1, "Lane is not heard", "since 02:10", "It may be up or down"),
		found("sensor-faulty", "", alerts.FaultySensor, alerts.CauseSensorFaulty, 9.9, -1, "Lane's sensor cannot be right", "since 02:10", "by hand"),
		found("link-lost", "site", alerts.Silent, alerts.LinkLost, -1, -1, "No sensor is heard", "since 02:10", "router"),
		found("unknown", "", alerts.Dead, alerts.Unknown, 0, -1, "Lane is dead", "since 02:10", "Energizer first"),
	}
}

// screensBeside has alarms that name two causes, two places, or a zone that another takes down.
func screensBeside(t *testing.T) []screen {
	of := func(name string, f alerts.Finding, inside ...string) screen {
		f.Priority, f.Text = alerts.High, "The detector's own sentence."
		return screen{name, call(clock(t, "21 02:10"), f), inside}
	}
	low, dead, before := new(1.8), new(0.1), []time.Time{clock(t, "20 04:10")}
	return []screen{
		of("short, harm elsewhere", alerts.Finding{Source: "zone/brook", Condition: alerts.Low, Cause: alerts.Short, KV: new(3.3), Worst: "lane", WorstKV: low,
			Zones: []string{"hazel", "lane"}}, "Brook pulls lane down to 1.8 kV, needs 3.0, and hazel with it", "since 02:10", "Look for wire"),
		of("open, harm elsewhere", alerts.Finding{Source: "zone/hazel", Condition: alerts.Low, Cause: alerts.Open, KV: new(5.3), Worst: "lane", WorstKV: low,
			Zones: []string{"lane"}}, "Hazel is broken, lane down to 1.8 kV, needs 3.0, past brook", "since 02:10", "Look for a break"),
		of("open, or energizer-off, harm elsewhere", alerts.Finding{Source: "zone/brook", Condition: alerts.Dead, Cause: alerts.Open, Or: alerts.EnergizerOff, KV: new(5.3),
			Worst: "lane", WorstKV: dead, Zones: []string{"lane"}}, "Brook is cut off, lane down", "since 02:10", "Look at the energizer first"),
		of("short, or next door", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, KV: low, OrZones: []string{"hazel"}},
			"Lane is low, 1.8 kV, needs 3.0", "fault in lane or hazel", "since 02:10"),
		of("short, no room for zones", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, KV: low, DistanceM: new(240.0), OrZones: []string{"hazel", "brook"},
			Zones: []string{"hazel", "brook"}}, "Lane is low", "near the old oak, or in hazel or brook", "since 02:10", "Look for wire"),
		of("short, or energizer-weak", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, Or: alerts.EnergizerWeak, KV: low},
			"Lane is low", "since 02:10", "Measure the energizer alone", "look for wire at earth"),
		of("short, when wet", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, WhenWet: true, KV: low},
			"Lane is low", "since 02:10", "cracked insulator", "in the wet"),
		of("short, back again", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, KV: low, DistanceM: new(240.0), Again: before},
			"Lane is low, 1.8 kV", "the old oak", "since 02:10", "It let go before: look for a loose wire"),
		of("short, back again, energizer-weak", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Short, Or: alerts.EnergizerWeak, KV: low, Again: before},
			"Lane is low", "since 02:10", "Measure the energizer alone"),
		of("short, dried before", alerts.Finding{Source: "zone/brook", Condition: alerts.Low, Cause: alerts.Short, KV: new(3.3), Worst: "lane", WorstKV: low,
			OrZones: []string{"hazel"}, Again: before, Dried: true}, "Brook pulls lane down", "since 02:10", "It dried off before: look for a cracked insulator"),
		of("bad-joint, or sensor-faulty", alerts.Finding{Source: "zone/lane", Condition: alerts.Low, Cause: alerts.Joint, Or: alerts.CauseSensorFaulty, KV: low},
			"Lane is low", "past hazel", "since 02:10", "A bad joint, or its sensor", "by hand"),
		of("sensor-faulty, or bad-joint", alerts.Finding{Source: "zone/lane", Condition: alerts.FaultySensor, Cause: alerts.CauseSensorFaulty, Or: alerts.Joint, KV: low},
			"Lane's sensor is off, or a joint before it bad", "shows 1.8 kV, needs 3.0", "since 02:10", "by hand"),
		of("open, or energizer-off", alerts.Finding{Source: "zone/brook", Condition: alerts.Dead, Cause: alerts.Open, Or: alerts.EnergizerOff, KV: dead},
			"Brook is dead", "since 02:10", "Look at the energizer first", "break"),
		of("energizer-weak, a zone dead", alerts.Finding{Source: "energizer/cartshed", Condition: alerts.Off, Cause: alerts.EnergizerWeak, KV: new(4.9), Zones: []string{"lane"}},
			"Energizer cartshed is too weak for a live fence", "since 02:10", "measure it alone"),
		of("poor-earth, a zone dead", alerts.Finding{Source: "energizer/cartshed", Condition: alerts.Off, Cause: alerts.PoorEarth, Zones: []string{"lane"}},
			"Energizer cartshed is too poorly earthed", "since 02:10", "Look at earth lead"),
		of("poor-earth, fence down", alerts.Finding{Source: "energizer/cartshed", Condition: alerts.Earth, Cause: alerts.PoorEarth, KV: new(7.7), Zones: []string{"lane"}},
			"Energizer cartshed has a poor earth, and lane with it", "since 02:10", "Look at earth lead"),
		of("link-lost, zones", alerts.Finding{Source: "site", Condition: alerts.Silent, Cause: alerts.LinkLost, Zones: []string{"hazel", "lane"}},
			"No sensor is heard, since 02:10", "router"),
	}
}

// TestLockScreensSayWhatToDo in whole, whyever the message comes.
func TestLockScreensSayWhatToDo(t *testing.T) {
	w := words{cfg: testConfig(t), now: clock(t, "21 02:12")}
	for _, s := range append(screens(t), screensBeside(t)...) {
		s.call.Told = []string{"Orla", "Bram"}
		escalated := w.lead(alerts.TellEscalated, s.call)
		if escalated.short != "no answer: " {
			t.Errorf("%s: in short, nobody has answered is %q", s.name, escalated.short)
		}
		for _, lead := range []spot{{"worse, other place: ", "worse: "}, {"cause now known: ", "cause now known: "}, w.lead(alerts.TellRepeat, s.call), escalated} {
			subject := w.subject(lead, s.call)
			if n := utf8.RuneCountInString(subject); n > alerts.LockScreen || !strings.Contains(subject, w.advice(s.call.Event.Finding).short) {
				t.Errorf("%s: in %d characters %q", s.name, n, subject)
			}
			what := w.what(s.call.Event.Finding)
			if !strings.HasPrefix(subject, upper(lead.long)) && !strings.HasPrefix(subject, upper(lead.short)) && !strings.HasPrefix(subject, upper(what)) {
				t.Errorf("%s: begins %q", s.name, subject)
			}
		}
	}
}

// TestLockScreens keeps what a lock screen shows of every kind of message and every cause in one table, to be read aloud.
func TestLockScreens(t *testing.T) {
	w := words{cfg: testConfig(t), now: clock(t, "21 02:12")}
	shown := map[string]string{}
	for _, s := range append(screens(t), screensBeside(t)...) {
		subject, body := w.message(alerts.TellRaised, []*Call{s.call})
		shown["cause: "+s.name] = subject
		rest := subject
		for _, part := range s.inside {
			_, after, ok := strings.Cut(rest, part)
			if !ok {
				t.Errorf("%s: %q is missing, or out of order, in %q", s.name, part, subject)
				break
			}
			rest = after
		}
		if !strings.Contains(body, strings.TrimSpace(caution)) {
			t.Errorf("%s: the caution is missing", s.name)
		}
	}
	for name, l := range letters(t) {
		shown["message: "+name] = l[0]
	}
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(shown)) {
		n := utf8.RuneCountInString(shown[name])
		fmt.Fprintf(&b, "%-45s %3d  %s\n", name, n, shown[name])
		if n > alerts.LockScreen || strings.HasSuffix(shown[name], "…") {
			t.Errorf("%s does not fit: %s", name, shown[name])
		}
	}
	path := filepath.Join("testdata", "lock-screens.txt")
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
