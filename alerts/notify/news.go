package notify

import (
	"cmp"
	"slices"

	"nightwire/alerts"
)

// news says in a few words what has changed since its reader last heard of c, so that nobody has to compare: that it is
// worse, another cause, another place.
func (w words) news(c *Call) string {
	const more = "more is known"
	said := c.heardBy(w.person)
	if said == nil {
		return more
	}
	old, now := *said, c.Event.Finding
	deeper := severity(now) > severity(old) && (severity(old) > 0 || severity(now) == worst)
	worse := deeper || now.Priority > old.Priority
	other := ""
	switch {
	case old.Cause == alerts.Unknown && now.Cause != old.Cause:
		other = "cause now known"
	case now.Cause != old.Cause:
		other = "other cause"
	case now.Source != old.Source, moved(old, now) && old.DistanceM != nil:
		other = "other place"
	case moved(old, now):
		other = "place now known"
	}
	switch milder := severity(now) < severity(old) && severity(now) > 0 || now.Priority < old.Priority; {
	case worse && other != "":
		return "worse, " + other
	case worse:
		return "worse now"
	case other != "":
		return other
	case milder:
		return "less bad now"
	}
	return cmp.Or(spread(old.Zones, now.Zones), more)
}

// before says what people were told before, and of what cause where that is no longer so.
func (w words) before(old, now alerts.Finding) string {
	s := w.what(old) + w.volts(old) + w.riding(old, 3) + w.where(old).long
	if was := why(old); was != "" && was != why(now) {
		s += "; cause: " + was
	}
	return s
}

// spread says whether a fault that is otherwise the same has taken more zones, or left some; empty where it has done
// both or neither.
func spread(old, now []string) string {
	gone := slices.ContainsFunc(old, func(z string) bool { return !slices.Contains(now, z) })
	come := slices.ContainsFunc(now, func(z string) bool { return !slices.Contains(old, z) })
	switch {
	case come && !gone:
		return "more zones"
	case gone && !come:
		return "fewer zones"
	}
	return ""
}

// severity orders what a fence may be by how badly it holds stock; 0 for what says nothing of that.
func severity(f alerts.Finding) int {
	switch f.Condition {
	case alerts.Dropping:
		return 1
	case alerts.Low:
		return 2
	case alerts.Dead, alerts.Off:
		return worst
	}
	return 0
}

// worst is the severity of what holds no stock at all: worse than whatever was said before.
const worst = 3
