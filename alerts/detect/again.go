package detect

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// A loose wire touches in the wind and lets go in the calm; a cracked insulator leads when it is wet and stops when it
// dries. The alarm of either ends by itself though nobody has mended anything, and hours or days later the same place is
// down again. So what was told and let go is remembered for some days, and the next alarm from there says that it is back.

// gone is a path to earth that was told and has let go.
type gone struct {
	At, Until ms // when it was told, and when something last spoke for it
	Over      ms // when its alarm ended
	Zone      int
	Also      []int // as of incident
	Placed    bool
	AtM       float64
	LowM      float64
	HighM     float64
	Ohms      float64 // of the path; 0 where nothing tells
	Dried     bool    // it let go by and by, as what dries
}

// Judgements; common practice, no source.
const (
	keepGone = 5 * day // wind and rain come some days apart
	mostGone = 12
	lastGone = 3    // are told of one by one
	sameOhms = 4.0  // how many times those of one touch the ohms of the next may be: by the wet, and by the metre it is put at
	fewOhms  = 50.0 // and less than these are all alike: they leave next to nothing
)

// letGo remembers an incident that is over, or of which the wet is left. A wire that had parted does not join itself, and
// what has been wet without leading to earth has been mended.
func (f *fence) letGo(in *incident, now ms) {
	if !in.touches() || in.Shift || in.unseen(f) || in.Tracks && in.Doubt >= f.w.limits.Shift {
		return
	}
	g := gone{At: in.S.Raised, Until: in.Quiet, Over: now, Zone: in.Zone, Dried: in.Dried || in.Tracks,
		Placed: in.Placed, AtM: in.AtM, LowM: in.LowM, HighM: in.High}
	if !in.Tracks {
		g.Also = in.Also
	}
	if in.Fault.Kind == line.Shunt {
		g.Ohms = in.Fault.Ohms
	}
	f.Gone = slices.DeleteFunc(f.Gone, func(o gone) bool { return o.At == g.At || now-o.Over > keepGone })
	f.Gone = append(f.Gone, g)
	slices.SortStableFunc(f.Gone, func(a, b gone) int { return cmp.Compare(a.At, b.At) }) // what was told first may end last
	f.Gone = slices.Delete(f.Gone, 0, max(0, len(f.Gone)-mostGone))
}

// touches reports whether the incident is a path to earth from a wire that is whole.
func (in *incident) touches() bool {
	return in.Zone >= 0 && (in.Cause == alerts.Short || in.Cause == alerts.CauseIntermittent) && in.Fault.Kind != line.Fallen
}

// workedOn forgets what was told before at where somebody was at work then: what came since is news.
func (f *fence) workedOn(s farm.Source, at ms) {
	f.Gone = slices.DeleteFunc(f.Gone, func(g gone) bool {
		if g.At > at {
			return false
		}
		return f.means(s, g.Zone) || slices.ContainsFunc(g.Also, func(z int) bool { return f.means(s, z) })
	})
}

// earlier returns what has let go of late at the place of in, the oldest first.
func (f *fence) earlier(in *incident) []gone {
	if !in.touches() {
		return nil
	}
	now := f.w.state.Now
	if in.S.up() {
		now = in.S.Raised
	}
	var out []gone
	for _, g := range f.Gone {
		if g.At < now && g.Over <= now && now-g.Over <= keepGone && g.backAs(in) { // what stood when this began has not come back
			out = append(out, g)
		}
	}
	return out
}

// backAs reports whether in may be the path of g come back: it is in a zone where that may have been, at no other place in it
// where both are known, and of about its ohms.
func (g *gone) backAs(in *incident) bool {
	if g.Zone != in.Zone && !slices.Contains(g.Also, in.Zone) && (in.Tracks || !slices.Contains(in.Also, g.Zone)) {
		return false
	}
	if g.Zone == in.Zone && g.Placed && in.Placed && (g.HighM < in.LowM || in.High < g.LowM) {
		return false
	}
	if g.Ohms == 0 || in.Fault.Kind != line.Shunt {
		return true
	}
	r := math.Max(g.Ohms, fewOhms) / math.Max(in.Fault.Ohms, fewOhms)
	return r < sameOhms && r > 1/sameOhms
}

// again adds to what is known of an incident when its path to earth was there before, and how it let go.
func (f *fence) again(in *incident, fd *alerts.Finding) {
	past := f.earlier(in)
	fd.Dried = len(past) > 0
	for _, g := range past {
		fd.Again = append(fd.Again, fromMS(g.At).Truncate(time.Second))
		fd.Dried = fd.Dried && g.Dried
	}
	for _, g := range past[max(0, len(past)-lastGone):] {
		fd.Evidence = append(fd.Evidence, f.wasSo(g))
	}
}

// wasSo says of a path to earth that has let go when it was there, for how long, and where.
func (f *fence) wasSo(g gone) string {
	s := "was so for " + span(g.Until-g.At) + " from " + f.w.clock(g.At)
	if z := f.net.Zones[g.Zone]; g.Placed {
		at, _, _ := metres(g.AtM, g.LowM, g.HighM, z.LengthM)
		s += fmt.Sprintf(", about %.0f m along %s", *at, z.Name)
	}
	if g.Dried {
		s += ", until it dried"
	}
	return s
}

// back says how often a path to earth has come back, as a part of a sentence with its commas; empty where it has not.
func (f *fence) back(fd *alerts.Finding) string {
	n := len(fd.Again)
	if n == 0 {
		return ""
	}
	times := fmt.Sprintf(" for the %s time since %s,", ordinal(n+1), f.w.clock(toMS(fd.Again[0])))
	if fd.Dried {
		return times + " drying off in between,"
	}
	return times
}

// touching names a path to earth: what has dried off each time may be no wire.
func touching(fd *alerts.Finding) string {
	if fd.Dried {
		return "something leading to earth"
	}
	return "wire touching earth"
}

// walkFirst says what to do about a wire that touches earth: one that has let go before is not found lying there.
func walkFirst(fd *alerts.Finding) string {
	switch {
	case len(fd.Again) == 0:
		return "Walk there first; switch off before you free it."
	case fd.Dried:
		return "Walk there first and look for a cracked insulator or wet growth; switch off before you touch it."
	}
	return "Walk there first and look for a loose wire or a cracked insulator; switch off before you free it."
}

// onAndOff says since when what comes and goes has done so; empty where it is news.
func (f *fence) onAndOff(fd *alerts.Finding) string {
	if len(fd.Again) == 0 {
		return ""
	}
	return ", on and off since " + f.w.clock(toMS(fd.Again[0]))
}

// ordinal writes which of some it is: 2nd, 3rd, 4th.
func ordinal(n int) string {
	switch n {
	case 2:
		return "2nd"
	case 3:
		return "3rd"
	}
	return fmt.Sprintf("%dth", n)
}

// span says how long something was.
func span(d ms) string {
	switch m := max(1, (d+30_000)/60_000); {
	case m < 120:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		return fmt.Sprintf("%d h", (m+30)/60)
	default:
		return fmt.Sprintf("%d days", (m+12*60)/(24*60))
	}
}
