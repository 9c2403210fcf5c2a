package notify

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// The words for stock behind a fence that is off because somebody works there: the most urgent reminder there is.

// atRisk names the animals that are behind the fence of a finding.
func (w words) atRisk(f alerts.Finding) string {
	kinds := w.cfg.Farm.StockBehind(f.Source)
	for _, z := range f.Zones {
		for _, k := range w.cfg.Farm.StockBehind(farm.ZoneSource(z)) {
			if !strings.Contains(strings.Join(kinds, " "), k) {
				kinds = append(kinds, k)
			}
		}
	}
	return cmp.Or(alerts.List(kinds, "and"), "stock")
}

// ends says when the work ends, or ended.
func (w words) ends(h *alerts.Hold) string {
	if w.now.Before(h.Until) {
		return "the work ends " + w.clock(h.Until)
	}
	return "the work ended " + w.clock(h.Until)
}

const guardFirst = "See to them, then switch on."

// unguarded words a message about stock behind a fence that is off.
func (w words) unguarded(kind alerts.MessageKind, c *Call) (subject, body string) {
	f := c.Event.Finding
	lead := ""
	switch kind {
	case alerts.TellRepeat, alerts.TellEscalated:
		lead = w.lead(kind, c).long
	}
	stock := w.atRisk(f)
	head := lead + stock + " behind a fence that is off: " + w.thing(f.Source)
	since := ", since " + w.clock(c.Raised)
	for _, s := range []string{
		head + w.riding(f, 2) + since + "; " + w.ends(c.Hold) + ". " + guardFirst,
		head + since + "; " + w.ends(c.Hold) + ". " + guardFirst,
		head + since + ". " + guardFirst,
		lead + "stock behind a fence that is off: " + w.thing(f.Source) + since + ". " + guardFirst,
	} {
		if subject = upper(s); utf8.RuneCountInString(s) <= alerts.LockScreen {
			break
		}
	}
	var b strings.Builder
	if lead != "" {
		fmt.Fprintf(&b, "%s.\n", upper(strings.TrimSuffix(lead, ": ")))
	}
	fmt.Fprintf(&b, "%s behind a fence that is off: %s%s%s.\n", upper(stock), w.what(f), w.volts(f), w.riding(f, math.MaxInt))
	fmt.Fprintf(&b, "Where: %s.\n", cmp.Or(w.place(f), w.thing(f.Source)))
	fmt.Fprintf(&b, "Since: %s; %s", w.local(c.Raised).Format("Monday 2 January, 15:04"), w.ends(c.Hold))
	if c.Hold.By != "" {
		fmt.Fprintf(&b, ", %s is at it", c.Hold.By)
	}
	if c.Hold.Note != "" {
		fmt.Fprintf(&b, " (%s)", strings.TrimRight(c.Hold.Note, "."))
	}
	fmt.Fprintf(&b, ".\nFirst:\n1. Look where the %s are, and count them.\n", stock)
	b.WriteString("2. See that nobody is at the wire, switch on, and read it.\n")
	b.WriteString("3. It takes longer? Move them behind a fence that is hot, then set a new end: nightwire move, or the page.\n\n" + caution)
	return alerts.Shorten(subject), b.String()
}
