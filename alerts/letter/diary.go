// Package letter writes what people are told without an alarm: the evening round, the report of the night, and the
// weekly letter with the season drawn. It says when each is due, and words it from what it is given. It has no clock,
// reads nothing and sends nothing.
package letter

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nightwire/alerts"
)

// Never is the time of a letter that is not wanted.
const Never = -1

// Times says when letters go out, in the farm's own time. The zero value sends all at midnight.
type Times struct {
	Evening  int // minutes after midnight, or Never
	Morning  int
	Weekly   int
	Weekday  time.Weekday
	Location *time.Location // nil for UTC
}

// Due is a letter that is to go out.
type Due struct {
	Kind    alerts.MessageKind
	Planned time.Time // its own moment: the same letter has the same, whenever it is written
}

// Diary remembers when the next letters are due, so that each goes out once, over restarts, changes of the clock and of
// the hours. It is not safe for concurrent use.
type Diary struct {
	times Times
	next  map[alerts.MessageKind]time.Time
	dirty bool
}

const (
	savedKind = "letters"
	savedKey  = "next"
	// lateBy is how long after its hour a letter that was missed is still worth reading.
	lateBy = 3 * time.Hour
)

// NewDiary takes up what the journal kept.
func NewDiary(times Times, saved []alerts.Saved) (*Diary, error) {
	if times.Location == nil {
		times.Location = time.UTC
	}
	d := &Diary{times: times, next: map[alerts.MessageKind]time.Time{}}
	i := slices.IndexFunc(saved, func(s alerts.Saved) bool { return s.Kind == savedKind && s.Key == savedKey })
	if i < 0 {
		return d, nil
	}
	if err := json.Unmarshal(saved[i].JSON, &d.next); err != nil {
		return nil, fmt.Errorf("load when the next letters are due: %w", err)
	}
	return d, nil
}

// Tick returns the letters that are due by now. One that was missed by much is left out: its news are old.
func (d *Diary) Tick(now time.Time) []Due {
	var out []Due
	for _, kind := range []alerts.MessageKind{alerts.TellMorning, alerts.TellRound, alerts.TellWeekly} {
		at, every := d.at(kind)
		if at < 0 {
			if _, ok := d.next[kind]; ok {
				delete(d.next, kind)
				d.dirty = true
			}
			continue
		}
		next := d.next[kind]
		if next.IsZero() || !d.after(kind, next.Add(-time.Minute)).Equal(next) || next.Sub(now) > every+24*time.Hour {
			next = d.after(kind, now) // the first one, other hours, or a clock that was far ahead
			d.plan(kind, next)
		}
		if now.Before(next) {
			continue
		}
		if now.Sub(next) <= lateBy {
			out = append(out, Due{kind, next})
		}
		d.plan(kind, d.after(kind, now))
	}
	return out
}

func (d *Diary) plan(kind alerts.MessageKind, at time.Time) {
	d.next[kind], d.dirty = at, true
}

// at returns a letter's time of day, and how often it comes.
func (d *Diary) at(kind alerts.MessageKind) (minutes int, every time.Duration) {
	switch kind {
	case alerts.TellMorning:
		return d.times.Morning, 24 * time.Hour
	case alerts.TellWeekly:
		return d.times.Weekly, 7 * 24 * time.Hour
	}
	return d.times.Evening, 24 * time.Hour
}

// after returns a letter's first hour after t. Where the clock skips that hour it is as much later.
func (d *Diary) after(kind alerts.MessageKind, t time.Time) time.Time {
	minutes, _ := d.at(kind)
	l := t.In(d.times.Location)
	for day := 0; ; day++ {
		at := time.Date(l.Year(), l.Month(), l.Day()+day, 0, minutes, 0, 0, d.times.Location)
		if at.After(t) && (kind != alerts.TellWeekly || at.Weekday() == d.times.Weekday) {
			return at.UTC()
		}
	}
}

// Saved returns what is to be kept, when it has changed since the last call.
func (d *Diary) Saved() []alerts.Saved {
	if !d.dirty {
		return nil
	}
	d.dirty = false
	return []alerts.Saved{{Kind: savedKind, Key: savedKey, JSON: alerts.MustJSON(d.next)}}
}
