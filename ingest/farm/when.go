package farm

import "time"

// ReadWhen reads when something was done, as people write it in the farm's own time: 12:30 for today, 2026-04-20, or
// 2026-04-20 12:30 (or with a T between, or RFC 3339). Of a day alone its noon is meant, or now if that is yet to come.
func ReadWhen(s string, now time.Time, loc *time.Location) (time.Time, bool) {
	if loc == nil {
		loc = time.UTC
	}
	if t, err := time.Parse("15:04", s); err == nil {
		y, m, d := now.In(loc).Date()
		return time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, loc), true
	}
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		noon := time.Date(t.Year(), t.Month(), t.Day(), 12, 0, 0, 0, loc)
		if y, m, d := now.In(loc).Date(); noon.After(now) && y == t.Year() && m == t.Month() && d == t.Day() {
			noon = now
		}
		return noon, true
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}
