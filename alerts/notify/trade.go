package notify

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// thing names a source in a sentence.
func (w words) thing(s farm.Source) string {
	if s == farm.Site {
		return "the sensors"
	}
	return cmp.Or(s.Called(), string(s))
}

// what says what is wrong, without a capital.
func (w words) what(f alerts.Finding) string {
	if f.Condition.OfWatch() {
		return w.whatOfWatch(f)
	}
	name := w.thing(f.Source)
	switch { // the fault is here, the harm there
	case f.Worst == "":
	case f.Cause == alerts.Open && f.Or == "":
		return name + " is broken, " + f.Worst + " down"
	case f.Cause == alerts.Open:
		return name + " is cut off, " + f.Worst + " down"
	default:
		return name + " pulls " + f.Worst + " down"
	}
	switch f.Condition {
	case alerts.Silent:
		if f.Source == farm.Site {
			return "no sensor is heard"
		}
		return name + " is not heard"
	case alerts.Growth:
		if f.BelowMinimumOn != nil && f.BelowMinimumOn.After(w.now) {
			return name + " goes under its minimum about " + w.local(*f.BelowMinimumOn).Format("Mon 2 January")
		}
		return name + " is being grown over"
	case alerts.FaultySensor:
		if f.Or == alerts.Joint {
			return name + "'s sensor is off, or a joint before it bad"
		}
		return name + "'s sensor cannot be right"
	case alerts.BadJoint:
		return name + " has a bad joint"
	case alerts.Earth:
		return name + " has a poor earth"
	}
	if was := w.was(f); was != "" {
		return name + " is " + was
	}
	return name + ": " + string(f.Condition)
}

// was says what is wrong as an adjective.
func (w words) was(f alerts.Finding) string {
	switch f.Condition {
	case alerts.Dead:
		return "dead"
	case alerts.Low:
		return "low"
	case alerts.Dropping:
		return "below its usual"
	case alerts.Intermittent:
		if f.Priority == alerts.High {
			return "coming and going, too low in between"
		}
		return "coming and going"
	case alerts.Off:
		switch f.Cause { // where it pulses, and a zone is dead
		case alerts.EnergizerWeak, alerts.SupplyLow:
			return "too weak for a live fence"
		case alerts.PoorEarth:
			return "too poorly earthed"
		}
		return "off"
	case alerts.Weak:
		if f.Cause == alerts.SupplyLow {
			return "on a low battery"
		}
		return "weak"
	}
	return ""
}

// volts gives the reading, and the minimum where it is under that.
func (w words) volts(f alerts.Finding) string {
	place, kv, before := f.Source, f.KV, ", "
	if f.Worst != "" {
		place, kv, before = farm.ZoneSource(f.Worst), f.WorstKV, " to "
	}
	switch {
	case kv == nil || w.misleads(f):
		return ""
	case f.Condition == alerts.Growth:
		return fmt.Sprintf(", now %.1f kV", *kv)
	case f.Condition == alerts.FaultySensor:
		before = ", shows "
	}
	s := fmt.Sprintf("%s%.1f kV", before, *kv)
	if z := w.zone(place); z != nil && (f.Condition == alerts.Low || f.Condition == alerts.FaultySensor && *kv*1000 < z.MinimumVolts) && z.MinimumVolts > 0 {
		s += fmt.Sprintf(", needs %.1f", z.MinimumVolts/1000)
	}
	return s
}

// misleads reports whether the reading would be taken for something else: that of a moment for what stands, the fence's
// for the battery's or the stakes', a wrong one for the wire's.
func (w words) misleads(f alerts.Finding) bool {
	switch f.Condition {
	case alerts.Silent, alerts.Off, alerts.Earth, alerts.Intermittent:
		return true
	case alerts.FaultySensor:
		return f.Or != alerts.Joint
	}
	return f.Cause == alerts.SupplyLow
}

// riding names the other zones that the fault has taken, at most most of them.
func (w words) riding(f alerts.Finding, most int) string {
	zones := slices.DeleteFunc(slices.Clone(f.Zones), func(z string) bool { return z == f.Worst })
	switch n := len(zones); {
	case n == 0 || f.Source == farm.Site: // all of it is said already
		return ""
	case n <= most:
		return ", and " + alerts.List(zones, "and") + " with it"
	default:
		return fmt.Sprintf(", and %s with it", number(n, "zone", "zones"))
	}
}

func (w words) zone(s farm.Source) *farm.Zone { return w.cfg.Farm.Zone(s.Name()) }

// spot is a part of a subject in words, with what joins it to the rest: in full, and where there is little room.
type spot struct{ long, short string }

// where says where the trouble is, in few words: near a mark, or so many metres along.
func (w words) where(f alerts.Finding) spot {
	or := w.orElse(f)
	if f.DistanceM == nil {
		z := w.zone(f.Source)
		switch {
		case z == nil:
			return spot{}
		case or != "":
			in := ", fault in " + anyOf(append([]string{z.Name}, f.OrZones...))
			return spot{in, in}
		case z.FedBy != "" && (f.Cause == alerts.Open || f.Cause == alerts.Joint):
			return spot{", past " + z.FedBy, ", past " + z.FedBy}
		}
		return spot{}
	}
	along := " at its start"
	if *f.DistanceM >= 1 {
		along = fmt.Sprintf(" %.0f m along", *f.DistanceM)
	}
	if m := w.mark(f); m != "" {
		return spot{", near " + m + "," + along + or, ", near " + m + or}
	}
	return spot{"," + along + or, "," + along + or}
}

// orElse names where else the fault may be, with its comma.
func (w words) orElse(f alerts.Finding) string {
	if len(f.OrZones) == 0 {
		return ""
	}
	return ", or in " + anyOf(f.OrZones)
}

// anyOf names up to three zones of which it is one, and more by saying so.
func anyOf(zones []string) string {
	if len(zones) > 3 {
		return strings.Join(zones[:3], ", ") + " or beside them"
	}
	return alerts.List(zones, "or")
}

// mark returns the known place nearest to the fault, if one is near enough to be of use.
func (w words) mark(f alerts.Finding) string {
	z := w.zone(f.Source)
	if z == nil || f.DistanceM == nil {
		return ""
	}
	return z.NearMark(*f.DistanceM)
}

// place says where to walk, in full.
func (w words) place(f alerts.Finding) string {
	z := w.zone(f.Source)
	if z == nil {
		return ""
	}
	or := w.orElse(f)
	if f.DistanceM != nil {
		s := fmt.Sprintf("about %.0f m along %s, counted from %s", *f.DistanceM, z.Name, cmp.Or(z.FedBy, "its start"))
		if *f.DistanceM < 1 {
			s = fmt.Sprintf("at the start of %s, by %s", z.Name, cmp.Or(z.FedBy, "its start"))
		}
		if f.DistanceLowM != nil && f.DistanceHighM != nil {
			s += fmt.Sprintf(" (between %.0f and %.0f m)", *f.DistanceLowM, *f.DistanceHighM)
		}
		if m := w.mark(f); m != "" {
			s += ", near " + m
		}
		return s + or
	}
	switch f.Condition {
	case alerts.Silent, alerts.FaultySensor:
		return fmt.Sprintf("the sensor at the far end of %s", z.Name)
	case alerts.Growth:
		return fmt.Sprintf("the %.0f m of %s", z.LengthM, z.Name)
	}
	to, beyond := "the sensor at its far end", ""
	if z.Sensor.Topic == "" {
		to = "its far end"
		if w.feeds(z) == 1 {
			beyond = fmt.Sprintf(", or on the zone behind it: %s has no sensor", z.Name)
		}
	}
	return fmt.Sprintf("on %s, between %s and %s, %.0f m%s", z.Name, cmp.Or(z.FedBy, "its start"), to, z.LengthM, beyond+or)
}

// feeds returns how many zones z feeds.
func (w words) feeds(z *farm.Zone) int {
	n := 0
	for i := range w.cfg.Farm.Zones {
		if w.cfg.Farm.Zones[i].FedBy == z.Name {
			n++
		}
	}
	return n
}

// advice is what to do first.
type advice struct {
	short string   // for the subject
	safe  string   // after it, where there is room
	long  []string // in order
}

// advice returns what to do first. The acts follow the trade's own: go to the pair of sensors between which it stops;
// halve the fence with cut-outs; energizer before wire (common practice, no source); the low wire first with pigs; wet
// the stakes, after a test (BC Ministry of Agriculture 382.600-1; Ohio State University Extension, Queensland DPI); a bad
// joint is found by its step and its click (The Telegrapher 8/26, 1872); an insulator is found by looking and listening at
// dusk (common practice, no source); no message from a sensor is unknown and not zero.
func (w words) advice(f alerts.Finding) advice {
	if f.Condition.OfWatch() {
		return w.ofWatch(f)
	}
	const off = "Switch the energizer off before you touch the wire."
	stock := w.stock(f)
	if a, ok := w.special(f, off, stock); ok {
		return a
	}
	switch f.Cause {
	case alerts.Open:
		return advice{"Look for a break or an open gate.", " Switch off to join it.", []string{
			"Ask whether somebody has a gate or cut-out open there.",
			"Walk it from the end that is fed, and look for the break.",
			off + " Join the wire, switch on, and see it come back.", stock}}
	case alerts.Short:
		return advice{"Look for wire on the ground or on a post.", " Switch off to free it.", []string{
			"Walk there and look for fallen wire, wire on a post, a branch, or soil pushed onto it.",
			"Nothing to see? Open the cut-outs one by one to find the half it is in.",
			off + " Free the wire, switch on, and see it come back.", stock}}
	case alerts.Joint:
		return advice{"Look at clamps, knots and gate ends.", " Switch off to mend it.", []string{
			"Look at clamps, knots and gate ends there; listen for a click.",
			off + " Clean and tighten, or change what is rusty; look for one broken strand."}}
	case alerts.Vegetation:
		return advice{"Trim it, the low wire first.", " Switch off before.", []string{
			off, "Trim along the low wire first, or lift that wire, or take it off the feed until you can.", "Note the trim on the page."}}
	case alerts.EnergizerOff:
		return w.energizerOff(f, stock)
	case alerts.EnergizerWeak:
		return advice{"Switch off, unhook the fence, switch on, measure it alone.", "", []string{
			measureAlone,
			"Weak alone? Battery first, then another energizer. Well alone? Look at its earth lead and stakes, then for growth or a wire down.", stock}}
	case alerts.SupplyLow:
		return advice{"Bring a charged battery.", "", []string{
			"Take a charged battery, and change it.", "Clean the panel and its clamps; see that nothing shades it."}}
	case alerts.PoorEarth:
		return advice{"Test the earth stakes, then wet them.", "", []string{
			"The fence may read well and still shock little. Test the stakes: nightwire earth-test, or Upkeep on the page, says how.",
			"Wet the ground at the stakes and see whether it helps. Look at the clamps and the lead; add stakes if the test says so."}}
	case alerts.CauseIntermittent:
		return advice{"Walk it by day; look and listen at dusk.", "", []string{
			"Look for what sways or touches: loose wire, a branch, stock pushing soil.",
			"At dusk look and listen for a spark or a click at an insulator."}}
	case alerts.SensorSilent:
		return advice{"It may be up or down: measure it there by hand.", "", []string{
			"Measure the fence there: no word from the sensor says nothing of the wire.", "Then look at the sensor's battery and its aerial."}}
	case alerts.CauseSensorFaulty:
		return advice{"Measure it there by hand.", "", []string{
			"Measure beside the sensor with a tester.", "If the fence is well, mend or change the sensor. If it is low there too, look for a bad joint before the sensor."}}
	case alerts.LinkLost:
		return advice{"Look at the router and its power, then measure the fence by hand.", "", []string{
			"Look at the router or gateway and its power.",
			"Measure the fence by hand: it may be up or down, nothing is known of it.", stock}}
	}
	return w.unknown(f, off, stock)
}

// measureAlone tells a weak energizer from what the fence takes.
const measureAlone = "Switch off and unhook the fence. Switch on, and measure the energizer alone, well away from the stakes."

// energizerOff is what to do about an energizer that is off, or a wire that is broken before the first sensor where
// that may be too.
func (w words) energizerOff(f alerts.Finding, stock string) advice {
	a := w.off(f, stock)
	if f.Or == alerts.Open {
		a.long = slices.Insert(a.long, len(a.long)-1, "It pulses all the same? Then the wire is broken before the first sensor: walk from the energizer.")
	}
	return a
}

// off is what to do about an energizer that sends no pulses.
func (w words) off(f alerts.Finding, stock string) advice {
	if e := w.cfg.Farm.Energizer(f.Source.Name()); e != nil && e.Supply == farm.Mains {
		return advice{"The whole fence is down: look at plug, switch and breaker.", "", []string{
			"Look at its lamp, the switch, the plug and the breaker.",
			"Power there but no pulse? Switch off, unhook the fence, switch on: if it still does not pulse, put in the spare.", stock}}
	}
	return advice{"The whole fence is down: look at its lamp, switch and battery.", "", []string{
		"Look at its lamp, the switch and the battery's clamps.", "Change the battery for a charged one; clean the panel.",
		"No pulse all the same? Switch off, unhook the fence, switch on: if it still does not pulse, put in the spare.", stock}}
}

func (w words) unknown(f alerts.Finding, off, stock string) advice {
	if w.zone(f.Source) == nil || !knownCondition(f.Condition) {
		if f.Text != "" {
			return advice{f.Text, "", []string{f.Text}}
		}
		return advice{"Look at the page.", "", []string{"Look at the page for what is known."}}
	}
	return advice{"Energizer first, then walk the wire.", "", []string{
		"See that the energizer pulses.", "Walk the zone from the end that is fed.", off, stock}}
}

func knownCondition(c alerts.Condition) bool {
	switch c {
	case alerts.Dead, alerts.Low, alerts.Dropping, alerts.Intermittent:
		return true
	}
	return false
}

// stock says to look after the animals, by their name where the zone has one.
func (w words) stock(f alerts.Finding) string {
	name, place := "stock", f.Source
	if f.Worst != "" {
		place = farm.ZoneSource(f.Worst)
	}
	if z := w.zone(place); z != nil && z.Stock != "" {
		name = z.Stock
	}
	return "Look where the " + name + " are: they find a dead fence soon."
}
