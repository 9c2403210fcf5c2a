// Package upkeep says what work at the fence comes back and is due, from when it was last done, and what a test of the
// earth stakes means. It has no clock and keeps nothing.
package upkeep

import (
	"fmt"
	"slices"
	"time"

	"nightwire/alerts"
)

// Task is work that comes back.
type Task string

// The tasks.
const (
	Walk       Task = "walk"
	Battery    Task = "battery"
	Insulators Task = "insulators"
	EarthTest  Task = "earth-test"
	Spares     Task = "spares"
)

// Tasks returns every task, the most frequent first.
func Tasks() []Task { return []Task{Walk, Battery, Insulators, EarthTest, Spares} }

// Known reports whether name is a task.
func Known(name string) bool { return slices.Contains(Tasks(), Task(name)) }

// What says what a task asks for, and what that rests on.
func (t Task) What() (act, standing string) {
	switch t {
	case Walk:
		return "walk the line", "each week, and after wind, storm and ice: Horsemen's Corral, April 2020"
	case Battery:
		return "look at the battery, its clamps and the panel", "common practice, no source"
	case Insulators:
		return "go over the insulators", "yearly: common practice, no source; by ear and eye at dusk"
	case EarthTest:
		return "test the earth stakes", "yearly, at the driest time: BC Ministry of Agriculture 382.600-1"
	case Spares:
		return "count the spares: insulators, joiners, wire, posts, a stake with its clamp, a charged battery, a second energizer",
			"common practice, no source"
	}
	return string(t), "common practice, no source"
}

// Plan says how often tasks are due. A task that is not in Every is never.
type Plan struct {
	Every      map[Task]time.Duration
	DriestFrom time.Month     // the earth test is due from its first day
	Since      time.Time      // when the watch began to keep count
	Location   *time.Location // nil for UTC
}

// Reminder is where a task stands.
type Reminder struct {
	Task  Task
	DueOn time.Time // the day's beginning
	Last  time.Time // zero for never
	By    string    // who did it last
	Note  string
}

// Due reports whether it is time.
func (r Reminder) Due(now time.Time) bool { return !now.Before(r.DueOn) }

// New reports whether it became due within the last day.
func (r Reminder) New(now time.Time) bool { return r.Due(now) && now.Sub(r.DueOn) < 24*time.Hour }

// Text says it in a sentence, without a capital.
func (r Reminder) Text(loc *time.Location) string {
	act, _ := r.Task.What()
	if r.Last.IsZero() {
		return act + "; not done since this watch began."
	}
	return fmt.Sprintf("%s; last done %s.", act, in(r.Last, loc).Format("2 January 2006"))
}

// List returns where every planned task stands by what was done, the first due first.
func (p Plan) List(acts []alerts.Action) []Reminder {
	var out []Reminder
	for _, t := range Tasks() {
		every, ok := p.Every[t]
		if !ok {
			continue
		}
		r := Reminder{Task: t}
		for _, a := range acts {
			if on := a.When(); a.Kind == alerts.Done && Task(a.Task) == t && !on.Before(r.Last) {
				r.Last, r.By, r.Note = on, a.By, a.Note
			}
		}
		r.DueOn = p.dueOn(t, every, r.Last)
		out = append(out, r)
	}
	slices.SortStableFunc(out, func(a, b Reminder) int { return a.DueOn.Compare(b.DueOn) })
	return out
}

// dueOn returns the beginning of the day on which a task last done at last is due again.
func (p Plan) dueOn(t Task, every time.Duration, last time.Time) time.Time {
	from := last
	if last.IsZero() {
		from = p.Since
	}
	if t != EarthTest {
		return p.midnight(from.Add(every))
	}
	// At the driest time: the next one, or the present one where none is on record. A test at another time of the year
	// stands in for none; one at the driest time holds for its interval.
	earliest := from
	if !last.IsZero() && p.dry(last) {
		earliest = last.Add(every / 2)
	}
	for year := in(earliest, p.Location).Year() - 1; ; year++ {
		dry := time.Date(year, p.DriestFrom, 1, 0, 0, 0, 0, p.location())
		if !dry.Before(earliest) {
			return dry
		}
		if last.IsZero() && earliest.Before(dry.AddDate(0, dryMonths, 0)) {
			return p.midnight(earliest)
		}
	}
}

// dryMonths is how long the driest time lasts; our own choice.
const dryMonths = 3

// dry reports whether t is within the driest time.
func (p Plan) dry(t time.Time) bool {
	return (int(in(t, p.Location).Month())-int(p.DriestFrom)+12)%12 < dryMonths
}

func (p Plan) midnight(t time.Time) time.Time {
	l := in(t, p.Location)
	return time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, p.location())
}

func (p Plan) location() *time.Location {
	if p.Location == nil {
		return time.UTC
	}
	return p.Location
}

func in(t time.Time, loc *time.Location) time.Time {
	if loc == nil {
		return t.UTC()
	}
	return t.In(loc)
}
