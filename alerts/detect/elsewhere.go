package detect

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nightwire/alerts"
)

// Good wire has few ohms, and at the end of one zone the next begin: a path to earth there shows the same to every sensor,
// whichever of them it is in. Who walks is told so.

// elsewhere returns the other zones where a path to earth explains the last diagnosis next to as well, likeliest first.
func (d *diagnoser) elsewhere(zone int) []int {
	var also []int
	for z, score := range d.shorts {
		if z != zone && score < d.shorts[zone]+asLikely {
			also = append(also, z)
		}
	}
	slices.SortStableFunc(also, func(a, b int) int { return cmp.Compare(d.shorts[a], d.shorts[b]) })
	return also
}

// asLikely is by how much a place may score worse and still be named: a third as likely as the best. Common practice, no source.
const asLikely = 2.0

// also names the other zones where in's fault may be: those of a path to earth, as long as it is taken for one.
func (f *fence) also(in *incident) []string {
	if in.Cause != alerts.Short && in.Cause != alerts.CauseIntermittent || in.Tracks {
		return nil
	}
	var names []string
	for _, z := range in.Also {
		if z != in.Zone {
			names = append(names, f.net.Zones[z].Name)
		}
	}
	return names
}

// orElse names where else a path to earth may be: one zone or two, and more by saying so.
func (f *fence) orElse(in *incident) string {
	switch also := f.also(in); len(also) {
	case 0:
		return ""
	case 1, 2:
		return ", or in " + strings.Join(also, " or ")
	default:
		return fmt.Sprintf(", or in %s, %s or another beside them", also[0], also[1])
	}
}

// walkTo ends a sentence on what touches in's zone now and then, and says where to walk.
func (f *fence) walkTo(in *incident) string {
	name := f.net.Zones[in.Zone].Name
	if len(f.also(in)) == 0 {
		return fmt.Sprintf(". Walk %s", name)
	}
	return fmt.Sprintf(", in %s%s. Walk there", name, f.orElse(in))
}
