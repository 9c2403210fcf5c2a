package notify

import "nightwire/alerts"

// special is what to do first where a cause alone does not say it: where two show the same, first what tells the one from the
// other; where stock may be out by now, first the stock.
func (w words) special(f alerts.Finding, off, stock string) (advice, bool) {
	switch {
	case f.Cause == alerts.CauseIntermittent && f.Priority == alerts.High:
		return advice{"See to the stock, then walk it and listen.", "", []string{stock,
			"Walk it: look for what sways or touches, loose wire, a branch, stock pushing soil.",
			"Look and listen for a spark or a click at an insulator."}}, true
	case f.Cause == alerts.PoorEarth && len(f.Zones) > 0:
		return advice{"Look at earth lead and clamps, then wet the stakes.", "", []string{
			"Switch off. Look at the earth lead and its clamps: the stakes carry what the fence has lost.",
			"Wet the ground at the stakes, switch on, and see whether it helps.", stock}}, true
	case f.WhenWet:
		return advice{"Look for a cracked insulator; look and listen in the wet.", "", []string{
			"It leads to earth when it is wet: look for a cracked insulator, or wire on wet ground.",
			"Nothing to see? Look and listen for a spark or a click at dusk, or while it is wet.",
			off + " Change the insulator or lift the wire.", stock}}, true
	case f.Cause == alerts.Short && len(f.Again) > 0 && f.Or == "":
		return w.hereBefore(f, off, stock), true
	case f.Cause == alerts.Short && f.Or == alerts.EnergizerWeak:
		return advice{"Measure the energizer alone; if it is well, look for wire at earth.", "", []string{
			measureAlone, "Weak alone? Battery first, then another energizer.",
			"Well alone? Look at its earth lead, then walk there and look for fallen wire, wire on a post, a branch, or soil pushed onto it.",
			off + " Free the wire, switch on, and see it come back.", stock}}, true
	case f.Cause == alerts.Joint && f.Or == alerts.CauseSensorFaulty:
		return advice{"A bad joint, or its sensor: measure it there by hand.", "", []string{
			"Measure beside the sensor with a tester. Well there? Mend or change the sensor.",
			"Low there too? Look at clamps, knots and gate ends before it; listen for a click.",
			off + " Clean and tighten, or change what is rusty; look for one broken strand."}}, true
	case f.Cause == alerts.Open && f.Or == alerts.EnergizerOff:
		return advice{"Look at the energizer first, then for a break or an open gate.", "", []string{
			"See that the energizer pulses: nothing tells whether it is off.",
			"It does? Ask whether somebody has a gate or cut-out open, then walk from there and look for the break.",
			off + " Join the wire, switch on, and see it come back.", stock}}, true
	}
	return advice{}, false
}

// hereBefore is what to do first about a path to earth that was there before and let go: nobody has mended it, and it may let go
// again before anybody comes. What moves or dries is looked for, and not only what lies there.
func (w words) hereBefore(f alerts.Finding, off, stock string) advice {
	if f.Dried {
		return advice{"It dried off before: look for a cracked insulator.", "", []string{
			"It was here before and dried off: look for a cracked insulator, wire on wet ground, or wet growth.",
			"Nothing to see? Look and listen for a spark or a click at dusk, or while it is wet.",
			off + " Change the insulator, lift the wire or trim.", stock}}
	}
	return advice{"It let go before: look for a loose wire or a branch.", " Switch off to free it.", []string{
		"It was here before and let go: look for a loose wire or a branch that moves in the wind, or a cracked insulator.",
		"Nothing to see? Look for a burnt or bright spot on wire and posts, and listen for a click; look again in the wind.",
		off + " Tighten or tie back what moves, switch on, and see it come back.", stock}}
}

// why names the cause in words, and what else it may be; empty where the condition says it already.
func why(f alerts.Finding) string {
	named := map[alerts.Cause]string{
		alerts.Short: "a wire that touches earth", alerts.Open: "a wire broken or unhooked", alerts.Joint: "a bad joint or a broken strand",
		alerts.Vegetation: "growth on the wire", alerts.EnergizerWeak: "an energizer that gives too little", alerts.EnergizerOff: "an energizer that is off",
		alerts.CauseIntermittent: "something that touches the wire now and then", alerts.CauseSensorFaulty: "a sensor that shows too little",
		alerts.Unknown: "not yet known",
	}
	switch f.Condition {
	case alerts.Dead, alerts.Low, alerts.Dropping, alerts.Intermittent:
	default:
		if f.Or == "" {
			return ""
		}
	}
	cause := named[f.Cause]
	if f.WhenWet {
		cause = "something that leads to earth when it is wet"
	}
	if or := named[f.Or]; cause != "" && or != "" {
		cause += ", or " + or
	}
	return cause
}
