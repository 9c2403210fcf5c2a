package detect_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// unsound returns what is wrong with a watch's events, whatever the readings were: the rules that hold for all.
func unsound(f *farm.Farm, events []alerts.Event) []string {
	var wrong []string
	open, over := map[string]bool{}, map[string]bool{}
	names := map[string]string{} // of those that are on, by ID: what an alarm is known by
	newest := time.Time{}
	for i, e := range events {
		say := func(format string, args ...any) {
			wrong = append(wrong, fmt.Sprintf("event %d, %s %s %s: ", i, e.Kind, e.ID, e.Time.Format(time.RFC3339))+fmt.Sprintf(format, args...))
		}
		if e.Time.Before(newest) {
			say("goes back behind %s", newest.Format(time.RFC3339))
		}
		newest = e.Time
		switch {
		case over[e.ID]:
			say("comes after the alarm returned")
		case e.Kind == alerts.Raised && open[e.ID]:
			say("is raised twice")
		case e.Kind != alerts.Raised && !open[e.ID]:
			say("was never raised")
		}
		name := string(e.Source) + " " + string(e.Condition)
		for id, other := range names {
			if e.Kind == alerts.Raised && other == name {
				say("is raised while %s is on, of the same source and condition", id)
			}
		}
		if names[e.ID] = name; e.Kind == alerts.Returned {
			delete(names, e.ID)
		}
		open[e.ID] = true
		over[e.ID] = e.Kind == alerts.Returned
		for _, s := range slices.Concat(badText(e), badPlace(f, e), badNames(f, e), badBeside(f, e)) {
			say("%s", s)
		}
	}
	return wrong
}

// badText holds an event's sentence against what a person needs of it.
func badText(e alerts.Event) (wrong []string) {
	text := e.Text
	if text == "" || !strings.HasSuffix(text, ".") || strings.TrimSpace(text) != text {
		wrong = append(wrong, fmt.Sprintf("text %q is no sentence", text))
	}
	for _, s := range slices.Concat([]string{text}, e.Evidence) {
		for _, bad := range []string{"NaN", "Inf", "%!", "<nil>", "  ", "-0."} {
			if strings.Contains(s, bad) {
				wrong = append(wrong, fmt.Sprintf("%q holds %q", s, bad))
			}
		}
	}
	if n := strings.Count(text, ". ") + 1; n > 2 {
		wrong = append(wrong, fmt.Sprintf("%d sentences: %q", n, text))
	}
	head := strings.ToLower(text[:min(len(text), 120)])
	_, name, named := strings.Cut(string(e.Source), "/")
	if named && !strings.Contains(head, strings.ToLower(name)) {
		wrong = append(wrong, fmt.Sprintf("the first 120 letters do not say where (%s): %q", name, text))
	}
	return wrong
}

// badPlace holds the figures of an event against each other and the zone.
func badPlace(f *farm.Farm, e alerts.Event) (wrong []string) {
	if (e.DistanceM == nil) != (e.DistanceLowM == nil) || (e.DistanceM == nil) != (e.DistanceHighM == nil) {
		wrong = append(wrong, "a place without its interval, or the other way round")
	} else if e.DistanceM != nil {
		z := f.Zone(zoneName(e.Source))
		if z == nil || *e.DistanceLowM < 0 || *e.DistanceLowM > *e.DistanceM || *e.DistanceM > *e.DistanceHighM || *e.DistanceHighM > z.LengthM+0.5 {
			wrong = append(wrong, fmt.Sprintf("placed at %g m, %g to %g, on %s", *e.DistanceM, *e.DistanceLowM, *e.DistanceHighM, e.Source))
		}
	}
	if e.KV != nil && (*e.KV < 0 || *e.KV > 30) {
		wrong = append(wrong, fmt.Sprintf("%g kV", *e.KV))
	}
	if e.Condition == alerts.Growth && (e.BelowMinimumOn == nil || e.BelowMinimumEarliest.After(*e.BelowMinimumOn) || e.BelowMinimumLatest.Before(*e.BelowMinimumOn)) {
		wrong = append(wrong, fmt.Sprintf("a date outside its interval: %v, %v to %v", e.BelowMinimumOn, e.BelowMinimumEarliest, e.BelowMinimumLatest))
	}
	return wrong
}

// badBeside holds what an event says besides its own zone and cause against these: another zone is another, and told
// where it is so.
func badBeside(f *farm.Farm, e alerts.Event) (wrong []string) {
	own := zoneName(e.Source)
	for i, z := range e.OrZones {
		if f.Zone(z) == nil || z == own || slices.Contains(e.OrZones[:i], z) || e.Cause != alerts.Short && e.Cause != alerts.CauseIntermittent {
			wrong = append(wrong, fmt.Sprintf("%s on %s, or in %v", e.Cause, e.Source, e.OrZones))
		}
		if e.Kind != alerts.Returned && i < 2 && !strings.Contains(e.Text, z) {
			wrong = append(wrong, fmt.Sprintf("or in %v, and not in %q", e.OrZones, e.Text))
		}
	}
	if (e.Worst == "") != (e.WorstKV == nil) || e.Worst != "" && (e.Worst == own || f.Zone(e.Worst) == nil || e.Condition != alerts.Low && e.Condition != alerts.Dead) {
		wrong = append(wrong, fmt.Sprintf("%s of %s pulls %q down", e.Condition, e.Source, e.Worst))
	}
	if e.Worst != "" && e.WorstKV != nil && (*e.WorstKV*1000 > f.Zone(e.Worst).MinimumVolts || !strings.Contains(e.Text, e.Worst)) {
		wrong = append(wrong, fmt.Sprintf("%s at %g kV: %q", e.Worst, *e.WorstKV, e.Text))
	}
	if before := e.Again; len(before) > 0 && (!slices.IsSortedFunc(before, time.Time.Compare) || !before[len(before)-1].Before(e.Time)) || e.Dried && len(before) == 0 {
		wrong = append(wrong, fmt.Sprintf("at %s back since %v, dried %t", e.Time, before, e.Dried))
	}
	if e.Or == e.Cause {
		wrong = append(wrong, fmt.Sprintf("%s or %s", e.Cause, e.Or))
	}
	return wrong
}

// badNames looks for things and words that are not known.
func badNames(f *farm.Farm, e alerts.Event) (wrong []string) {
	_, name, named := strings.Cut(string(e.Source), "/")
	if e.Source != farm.Site && (!named || f.Zone(name) == nil && f.Energizer(name) == nil) {
		wrong = append(wrong, fmt.Sprintf("source %q is nothing on the farm", e.Source))
	}
	for i, z := range e.Zones {
		if f.Zone(z) == nil || slices.Contains(e.Zones[:i], z) {
			wrong = append(wrong, fmt.Sprintf("zones %v name something unknown or twice", e.Zones))
		}
	}
	if !slices.Contains(allCauses, e.Cause) || !slices.Contains(allConditions, e.Condition) || e.Priority < alerts.LowPriority || e.Priority > alerts.High {
		wrong = append(wrong, fmt.Sprintf("cause %q, condition %q, priority %s", e.Cause, e.Condition, e.Priority))
	}
	return wrong
}

var allCauses = []alerts.Cause{alerts.Short, alerts.Open, alerts.Joint, alerts.Vegetation, alerts.EnergizerOff, alerts.EnergizerWeak,
	alerts.SupplyLow, alerts.PoorEarth, alerts.CauseIntermittent, alerts.SensorSilent, alerts.CauseSensorFaulty, alerts.LinkLost, alerts.Unknown}

var allConditions = []alerts.Condition{alerts.Dead, alerts.Low, alerts.Dropping, alerts.Growth, alerts.Intermittent, alerts.Silent,
	alerts.Off, alerts.Weak, alerts.Earth, alerts.FaultySensor, alerts.BadJoint}

// mustBeSound fails the test for every rule that the events break.
func mustBeSound(t testing.TB, f *farm.Farm, events []alerts.Event) {
	t.Helper()
	for i, s := range unsound(f, events) {
		if i == 8 {
			t.Error("and more")
			return
		}
		t.Error(s)
	}
}

// wrongs are events that must be found unsound.
var wrongs = []struct {
	name   string
	events []alerts.Event
}{
	{"returned, never raised", []alerts.Event{sample(alerts.Returned, 0)}},
	{"raised twice", []alerts.Event{sample(alerts.Raised, 0), sample(alerts.Raised, 1)}},
	{"its ID again", []alerts.Event{sample(alerts.Raised, 0), sample(alerts.Returned, 1), sample(alerts.Updated, 2)}},
	{"back in time", []alerts.Event{sample(alerts.Raised, 5), sample(alerts.Updated, 4)}},
	{"no text", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "" })}},
	{"no full stop", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "Lane is dead" })}},
	{"not a number", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "Lane is dead at NaN kV." })}},
	{"a bad verb", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "Lane is dead at %!d(float64=1)." })}},
	{"no place in the head", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "Something is dead." })}},
	{"three sentences", []alerts.Event{alter(func(e *alerts.Event) { e.Text = "Lane is dead. Walk there. Now." })}},
	{"unknown zone", []alerts.Event{alter(func(e *alerts.Event) { e.Source, e.Text = "zone/moon", "Moon is dead." })}},
	{"unknown cause", []alerts.Event{alter(func(e *alerts.Event) { e.Cause = "magic" })}},
	{"past the zone's end", []alerts.Event{alter(func(e *alerts.Event) { e.DistanceM, e.DistanceLowM, e.DistanceHighM = at150(), at150(), far() })}},
	{"its own zone besides", []alerts.Event{alter(func(e *alerts.Event) { e.Cause, e.OrZones, e.Text = alerts.Short, []string{"lane"}, "Lane or lane." })}},
	{"a zone besides that is not said", []alerts.Event{alter(func(e *alerts.Event) { e.Cause, e.OrZones = alerts.Short, []string{"hazel"} })}},
	{"growth, or in another zone", []alerts.Event{alter(func(e *alerts.Event) {
		e.Cause, e.OrZones, e.Text = alerts.Vegetation, []string{"hazel"}, "Lane or hazel."
	})}},
	{"another zone that is well", []alerts.Event{alter(func(e *alerts.Event) {
		e.Worst, e.WorstKV, e.Text = "hazel", far(), "Lane pulls hazel down."
	})}},
	{"another zone without volts", []alerts.Event{alter(func(e *alerts.Event) { e.Worst, e.Text = "hazel", "Lane pulls hazel down." })}},
	{"one cause twice", []alerts.Event{alter(func(e *alerts.Event) { e.Or = e.Cause })}},
	{"back before it was there", []alerts.Event{alter(func(e *alerts.Event) { e.Again = []time.Time{e.Time} })}},
	{"dried off without having been there", []alerts.Event{alter(func(e *alerts.Event) { e.Dried = true })}},
	{"half an interval", []alerts.Event{alter(func(e *alerts.Event) { e.DistanceM = at150() })}},
}

func at150() *float64 { v := 150.0; return &v }
func far() *float64   { v := 400.0; return &v }

func sample(k alerts.EventKind, minute int) alerts.Event {
	return alerts.Event{ID: "one", Kind: k, Time: start.Add(time.Duration(minute) * time.Minute), Finding: alerts.Finding{
		Source: "zone/lane", Condition: alerts.Dead, Cause: alerts.Open, Priority: alerts.High, Text: "Lane is dead: walk there."}}
}

func alter(f func(*alerts.Event)) alerts.Event {
	e := sample(alerts.Raised, 0)
	f(&e)
	return e
}

// The rules that the other tests hold every event against do find what breaks them.
func TestUnsoundFindsWhatIsWrong(t *testing.T) {
	if got := unsound(paddocks(), []alerts.Event{sample(alerts.Raised, 0), sample(alerts.Updated, 1), sample(alerts.Returned, 2)}); len(got) > 0 {
		t.Errorf("sound events are said to be wrong: %v", got)
	}
	for _, tt := range wrongs {
		if got := unsound(paddocks(), tt.events); len(got) == 0 {
			t.Errorf("%s: not found", tt.name)
		}
	}
}
