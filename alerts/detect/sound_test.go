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
		open[e.ID] = true
		over[e.ID] = e.Kind == alerts.Returned
		for _, s := range slices.Concat(badText(e), badPlace(f, e), badNames(f, e)) {
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
