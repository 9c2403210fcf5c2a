// Package self turns what fails in the watch itself into alarms of the site: a channel that carries nothing, readings
// that are dropped or cannot be stored, a clock that jumped. It has no clock of its own: facts and time go in, events
// come out, so that people hear of the watch as they do of the fence.
package self

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Facts are what the watch knows of itself at one moment.
type Facts struct {
	Channels map[string]Failing // those that have failed for long
	Mute     string             // why nobody can be told by any channel; empty while somebody can
	Dropped  float64            // messages that found the queue full, since the start
	Storage  string             // why readings or alarms cannot be stored; empty while they can
	Jump     time.Duration      // by how much the clock was set since the last look; 0 for not
}

// Failing is a channel that does not work.
type Failing struct {
	Since time.Time
	Why   string
}

const (
	// steady is how long readings must be dropped, or not stored, before people hear of it.
	steady = time.Minute
	// dropping is how long a drop counts: so long as another follows within it, they go on.
	dropping = 30 * time.Second
	// calm is how long nothing may be dropped before that is over.
	calm = 10 * time.Minute
	// remembered is how long people see that the clock jumped.
	remembered = time.Hour
	// unsure is how long a channel that failed before a start counts as failing still: longer than it takes to find
	// out anew.
	unsure = 20 * time.Minute

	savedKind = "self"
)

// fault is what stands, or is about to, of one condition.
type fault struct {
	ID    string    `json:"id"` // of the alarm; empty before it is raised
	Text  string    `json:"text"`
	Mute  bool      `json:"mute,omitempty"` // no channel works
	Raise time.Time `json:"-"`              // when it has lasted long enough
	Well  time.Time `json:"-"`              // since when it is over; zero while it lasts
	hold  time.Duration
}

// Watch follows the facts. It is not safe for concurrent use. The times that it is given may carry Go's monotonic
// clock, so that it keeps its bearings when the wall's clock jumps.
type Watch struct {
	loc     *time.Location
	faults  map[alerts.Condition]*fault
	dirty   map[alerts.Condition]bool
	dropped float64
	dropAt  time.Time
}

// New takes up what the journal kept of the last run.
func New(loc *time.Location, saved []alerts.Saved) (*Watch, error) {
	w := &Watch{loc: loc, faults: map[alerts.Condition]*fault{}, dirty: map[alerts.Condition]bool{}}
	for _, s := range saved {
		if s.Kind != savedKind {
			continue
		}
		f := &fault{hold: steady}
		if err := json.Unmarshal(s.JSON, f); err != nil {
			return nil, fmt.Errorf("load %s %s: %w", s.Kind, s.Key, err)
		}
		if alerts.Condition(s.Key) == alerts.Channel {
			f.hold = unsure
		}
		w.faults[alerts.Condition(s.Key)] = f
	}
	return w, nil
}

// Mute reports whether nobody could be told when last that was known, in this run or the one before.
func (w *Watch) Mute() bool {
	f := w.faults[alerts.Channel]
	return f != nil && f.Mute && f.ID != ""
}

// Look takes in the facts of now, and returns what is to be said of them.
func (w *Watch) Look(now time.Time, f Facts) []alerts.Event {
	var out []alerts.Event
	say := func(e *alerts.Event) {
		if e != nil {
			out = append(out, *e)
		}
	}
	say(w.look(now, alerts.Channel, channelText(f, w.loc), 0, 0, f))
	if f.Dropped > w.dropped {
		w.dropped, w.dropAt = f.Dropped, now
	}
	text := ""
	if !w.dropAt.IsZero() && now.Sub(w.dropAt) < dropping {
		text = "Messages come faster than they can be taken in, and wait at the broker: look for a sensor that sends far too often."
	}
	say(w.look(now, alerts.Queue, text, steady, calm, f))
	if text = ""; f.Storage != "" {
		text = "Readings or alarms cannot be stored, so the watch goes on from memory: make room on the disk, or change the card."
	}
	say(w.look(now, alerts.Storage, text, steady, steady, f))
	say(w.look(now, alerts.Clock, jumpText(f.Jump), 0, remembered, f))
	return out
}

// channelText says which channels fail.
func channelText(f Facts, loc *time.Location) string {
	if len(f.Channels) == 0 {
		return ""
	}
	names := slices.Sorted(maps.Keys(f.Channels))
	since := f.Channels[names[0]].Since
	for _, c := range f.Channels {
		if c.Since.Before(since) {
			since = c.Since
		}
	}
	return fmt.Sprintf("Messages by %s do not arrive, since %s: see the internet connection, then the %s settings.",
		strings.Join(names, " and "), since.In(loc).Format("Monday 15:04"), names[0])
}

func jumpText(d time.Duration) string {
	switch {
	case d > 0:
		return fmt.Sprintf("This computer's clock jumped %s ahead, or it slept: see that its time is right.", d.Round(time.Second))
	case d < 0:
		return fmt.Sprintf("This computer's clock was set back by %s: see that its time is right.", (-d).Round(time.Second))
	}
	return ""
}

// look follows one condition: raised once text has been there for on, over once it has been gone for off.
func (w *Watch) look(now time.Time, c alerts.Condition, text string, on, off time.Duration, facts Facts) *alerts.Event {
	f := w.faults[c]
	switch {
	case text == "" && f == nil:
		return nil
	case text == "" && f.ID == "":
		delete(w.faults, c)
		return nil
	case text == "":
		if f.Well.IsZero() {
			f.Well = now
		}
		if now.Sub(f.Well) < max(off, f.hold) {
			return nil
		}
		delete(w.faults, c)
		return w.event(now, c, f, alerts.Returned, facts)
	case f == nil:
		f = &fault{Text: text, Raise: now.Add(on)}
		w.faults[c] = f
	}
	f.Well, f.hold = time.Time{}, 0
	switch {
	case f.ID == "" && now.Before(f.Raise):
		return nil
	case f.ID == "":
		f.ID = alerts.AlarmID(now, farm.Site, c)
		f.Text, f.Mute = text, c == alerts.Channel && facts.Mute != ""
		return w.event(now, c, f, alerts.Raised, facts)
	case f.Text != text || f.Mute != (c == alerts.Channel && facts.Mute != ""):
		f.Text, f.Mute = text, c == alerts.Channel && facts.Mute != ""
		return w.event(now, c, f, alerts.Updated, facts)
	}
	return nil
}

// event says one step of a fault. When nobody can be told at all that is as urgent as anything, and shows so on the page
// and on a lamp.
func (w *Watch) event(now time.Time, c alerts.Condition, f *fault, kind alerts.EventKind, facts Facts) *alerts.Event {
	w.dirty[c] = true
	e := &alerts.Event{ID: f.ID, Time: now.UTC().Truncate(time.Second), Kind: kind, Finding: alerts.Finding{
		Source: farm.Site, Condition: c, Cause: alerts.Unknown, Priority: alerts.Medium, Text: f.Text}}
	switch {
	case kind == alerts.Returned:
		e.Text = "No longer so: " + f.Text
		return e
	case f.Mute:
		e.Priority = alerts.High
	}
	for _, name := range slices.Sorted(maps.Keys(facts.Channels)) {
		if c == alerts.Channel {
			e.Evidence = append(e.Evidence, name+": "+facts.Channels[name].Why)
		}
	}
	if c == alerts.Storage {
		e.Evidence = append(e.Evidence, facts.Storage)
	}
	return e
}

// Saved returns what has changed since the last call.
func (w *Watch) Saved() []alerts.Saved {
	var out []alerts.Saved
	for _, c := range slices.Sorted(maps.Keys(w.dirty)) {
		s := alerts.Saved{Kind: savedKind, Key: string(c)}
		if f := w.faults[c]; f != nil {
			s.JSON = alerts.MustJSON(f)
		}
		out = append(out, s)
	}
	clear(w.dirty)
	return out
}
