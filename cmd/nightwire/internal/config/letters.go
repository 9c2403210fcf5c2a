package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"nightwire/ingest/farm"
)

// off is how a farm file says that something is not wanted.
const off = "off"

// Hour is a time of day, or never.
type Hour struct {
	Off bool
	At  Clock
}

// UnmarshalText reads 19:00, or off.
func (h *Hour) UnmarshalText(b []byte) error {
	if h.Off = string(b) == off; h.Off {
		return nil
	}
	m, ok := minutes(string(b))
	if !ok {
		return hinted{fmt.Sprintf("is %s, which is not a time of day", clip(string(b))), "write it as 07:00 or 19:30, or off"}
	}
	h.At = Clock(m)
	return nil
}

// WeekHour is a time of the week, or never.
type WeekHour struct {
	Hour
	Day time.Weekday
}

// UnmarshalText reads "sunday 18:00", or off.
func (h *WeekHour) UnmarshalText(b []byte) error {
	text := string(b)
	if h.Off = text == off; h.Off {
		return nil
	}
	day, at, _ := strings.Cut(strings.TrimSpace(text), " ")
	for d := time.Sunday; d <= time.Saturday; d++ {
		if strings.EqualFold(d.String(), day) {
			h.Day = d
			if m, ok := minutes(strings.TrimSpace(at)); ok {
				h.At = Clock(m)
				return nil
			}
		}
	}
	return hinted{fmt.Sprintf("is %s, which is not a time of the week", clip(text)), "write it as sunday 18:00, or off"}
}

// Letters says when people are told how the fence is without an alarm.
type Letters struct {
	Evening Hour     `key:"evening" doc:"the evening round: 19:00, or off; alarms.evening when left out"`
	Morning Hour     `key:"morning" doc:"the report of a night that was not quiet: 07:00, or off; alarms.morning when left out"`
	Weekly  WeekHour `key:"weekly" doc:"the weekly letter with the season drawn: sunday 18:00, or off; sunday 18:00 when left out"`
}

// letters fills in when letters go out.
func (r *reader) letters(c *Config, written *Letters) {
	if r.absent(&written.Evening) {
		c.Letters.Evening.At = c.Alarms.Evening
	}
	if r.absent(&written.Morning) {
		c.Letters.Morning.At = c.Alarms.Morning
	}
	if r.absent(&written.Weekly) {
		c.Letters.Weekly = WeekHour{Hour{At: 18 * 60}, time.Sunday}
	}
}

// personLetters returns which letters a person has asked for.
func (r *reader) personLetters(p *person) []string {
	for i := range p.Letters {
		if r.given(&p.Letters[i]) && !slices.Contains(farm.LetterKinds(), p.Letters[i]) {
			r.blame(&p.Letters[i], "write evening, morning or weekly; [] for none", "the letter %s is not known", clip(p.Letters[i]))
		}
	}
	return p.Letters
}

// Interval is how often something is to be done, or never.
type Interval struct {
	Off   bool
	Every time.Duration
}

// UnmarshalText reads 30d, or off.
func (i *Interval) UnmarshalText(b []byte) (err error) {
	if i.Off = string(b) == off; i.Off {
		return nil
	}
	i.Every, err = parseDuration(string(b))
	return err
}

// Upkeep says how often work that comes back is to be done.
type Upkeep struct {
	Walk       Interval `key:"walk" doc:"walking the line: 7d when left out; off for no reminder"`
	Battery    Interval `key:"battery" doc:"looking at battery, panel and clamps of each energizer: 14d when left out, or off"`
	Insulators Interval `key:"insulators" doc:"going over all insulators: 365d when left out, or off"`
	EarthTest  Interval `key:"earth_test" doc:"testing the earth stakes, at the driest time: 365d when left out, or off"`
	Spares     Interval `key:"spares" doc:"counting the spares: 182d when left out, or off"`
	DriestFrom Month    `key:"driest_from" doc:"the first month of the driest season, as july, in which the earth test is due; july when left out"`
}

// Month is a month by its name.
type Month time.Month

// UnmarshalText reads a month.
func (m *Month) UnmarshalText(b []byte) error {
	for k := time.January; k <= time.December; k++ {
		if strings.EqualFold(k.String(), string(b)) {
			*m = Month(k)
			return nil
		}
	}
	return hinted{fmt.Sprintf("is %s, which is not a month", clip(string(b))), "write it as july"}
}

// The default intervals. Yearly for the earth test at the driest time: BC Ministry of Agriculture 382.600-1. A walk each
// week: Horsemen's Corral, April 2020. The others are common practice, no source.
const (
	defaultWalk       = 7 * 24 * time.Hour
	defaultBattery    = 14 * 24 * time.Hour
	defaultInsulators = 365 * 24 * time.Hour
	defaultEarthTest  = 365 * 24 * time.Hour
	defaultSpares     = 182 * 24 * time.Hour
)

// upkeep fills in and checks the intervals.
func (r *reader) upkeep(u, written *Upkeep) {
	for _, v := range []struct {
		field *Interval
		into  *Interval
		name  string
		usual time.Duration
	}{
		{&written.Walk, &u.Walk, "walk", defaultWalk}, {&written.Battery, &u.Battery, "battery", defaultBattery},
		{&written.Insulators, &u.Insulators, "insulators", defaultInsulators},
		{&written.EarthTest, &u.EarthTest, "earth_test", defaultEarthTest}, {&written.Spares, &u.Spares, "spares", defaultSpares},
	} {
		if r.absent(v.field) {
			v.into.Every = v.usual
		}
		if !v.field.Off {
			r.within(v.field, v.into.Every, 24*time.Hour, 10*365*24*time.Hour, v.name)
		}
	}
	u.DriestFrom = cmp.Or(u.DriestFrom, Month(time.July))
}
