// Package notify tells people about alarms: who, when, in which words, by which route, again until somebody answers, and
// at last everybody that it is over. Planning (Planner, Desk) is pure and takes its time as an argument, so that a
// replay plans what a live run would send; sending (Sender) carries the planned messages out of the outbox.
//
//	high    at once, at any hour: the first person; again until it is answered; after a while the next person too
//	medium  the first person, outside their quiet hours
//	low     the first person, with the evening round
//
// Whoever was told hears of what changes their errand, who has taken it, and when it is over.
package notify

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// Config says who is told, and when. Zero fields take the defaults.
type Config struct {
	Farm          *farm.Farm    // its people, their order, routes and quiet hours; its layout, for the words; its time zone
	RepeatEvery   time.Duration // a high alarm is told again until answered; default 10 minutes
	EscalateAfter time.Duration // an unanswered high alarm goes to the next person; default 15 minutes
	Gather        time.Duration // what follows a message within this goes into one more; default 30 s
	Morning       int           // medium alarms of the night wait for this, minutes after midnight; default 7:00
	Evening       int           // the evening round, minutes after midnight; default 19:00
	Letters       bool          // the evening round is written elsewhere: low alarms wait for Desk.Send to take them along
	MaxUpdates    int           // updates told of one alarm until it announces itself again; default 3
}

// withDefaults fills in c and checks it.
func (c Config) withDefaults() (Config, error) {
	if c.Farm == nil {
		return c, errors.New("notify: Config.Farm is required")
	}
	c.RepeatEvery = cmp.Or(c.RepeatEvery, 10*time.Minute)
	c.EscalateAfter = cmp.Or(c.EscalateAfter, 15*time.Minute)
	c.Gather = cmp.Or(c.Gather, 30*time.Second)
	c.Morning = cmp.Or(c.Morning, 7*60)
	c.Evening = cmp.Or(c.Evening, 19*60)
	c.MaxUpdates = cmp.Or(c.MaxUpdates, 3)
	if c.RepeatEvery < time.Minute || c.EscalateAfter < time.Minute {
		return c, fmt.Errorf("repeat every %s and escalate after %s: both must be a minute or more\nhint: 10m and 15m serve most farms",
			c.RepeatEvery, c.EscalateAfter)
	}
	return c, nil
}

// people returns those who can be reached, in order.
func (c Config) people() []farm.Person {
	out := slices.DeleteFunc(slices.Clone(c.Farm.People), func(p farm.Person) bool { return len(p.Routes) == 0 })
	slices.SortStableFunc(out, func(a, b farm.Person) int { return cmp.Compare(a.Order, b.Order) })
	return out
}

// local returns t on the farm's clock.
func (c Config) local(t time.Time) time.Time {
	if c.Farm.Location == nil {
		return t.UTC()
	}
	return t.In(c.Farm.Location)
}

// awake returns the first moment from t on at which p may be told of what need not wake them. It walks the clock
// minute by minute, so that nights with a change of summer time need no case of their own. Quiet hours that go past
// midnight reach to the morning hour at least.
func (c Config) awake(p farm.Person, t time.Time) time.Time {
	q := p.Quiet
	if q.From > q.To {
		q.To = max(q.To, min(c.Morning, q.From))
	}
	if q.From == q.To || !q.Contains(c.local(t)) {
		return t
	}
	at := t.Truncate(time.Minute)
	for range 26 * 60 { // a day may have 25 hours; whoever is never awake is told all the same
		at = at.Add(time.Minute)
		if !q.Contains(c.local(at)) {
			break
		}
	}
	return at
}

// round returns the first evening round after t. On a night when that time of day is skipped it is the moment after
// the gap.
func (c Config) round(t time.Time) time.Time {
	of := func(t time.Time) int { l := c.local(t); return l.Hour()*60 + l.Minute() }
	at := t.Truncate(time.Minute)
	for range 50 * 60 {
		before := of(at)
		at = at.Add(time.Minute)
		if now := of(at); now >= c.Evening && (before < c.Evening || before > now) {
			break
		}
	}
	return at
}
