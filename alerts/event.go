// Package alerts defines alarms: what can be wrong, how sure we are, who needs to know, and the states an alarm goes
// through until it is over (IEC 62682, ISA-18.2). Detectors make events; the journal keeps them; notify carries them
// to people.
package alerts

import (
	"cmp"
	"encoding/json"
	"fmt"
	"time"

	"nightwire/ingest/farm"
)

// Condition says what is wrong, as the keeper sees it.
type Condition string

// The conditions.
const (
	Dead         Condition = "dead"          // a zone carries next to nothing
	Low          Condition = "low"           // a zone is under its minimum
	Dropping     Condition = "dropping"      // a zone has lost much of its voltage but is over its minimum
	Growth       Condition = "growth"        // growth will pull, or has pulled, a zone under its minimum
	Intermittent Condition = "intermittent"  // a zone dips and recovers, again and again
	Silent       Condition = "silent"        // no reports
	Off          Condition = "off"           // an energizer sends no pulses
	Weak         Condition = "weak"          // an energizer or its battery gives less than it should
	Earth        Condition = "earth"         // the earth stakes carry too much voltage
	FaultySensor Condition = "faulty-sensor" // a sensor's readings cannot be true
	BadJoint     Condition = "joint"         // a joint or strand carries badly, though the zone is over its minimum
)

// The conditions that the watch finds in itself; their source is the site.
const (
	Test    Condition = "test"    // nobody has answered the weekly test
	Channel Condition = "channel" // a channel does not carry messages
	Queue   Condition = "queue"   // messages come faster than they are taken in
	Storage Condition = "storage" // readings or alarms cannot be stored
	Clock   Condition = "clock"   // the computer's clock jumped
)

// OfWatch reports whether the condition is one of the watch itself, not of the fence.
func (c Condition) OfWatch() bool {
	switch c {
	case Test, Channel, Queue, Storage, Clock:
		return true
	}
	return false
}

// Cause says why, as far as the readings tell. The set is fixed.
type Cause string

// The causes.
const (
	Short             Cause = "short"
	Open              Cause = "open"
	Joint             Cause = "bad-joint"
	Vegetation        Cause = "vegetation"
	EnergizerOff      Cause = "energizer-off"
	EnergizerWeak     Cause = "energizer-weak"
	SupplyLow         Cause = "supply-low"
	PoorEarth         Cause = "poor-earth"
	CauseIntermittent Cause = "intermittent"
	SensorSilent      Cause = "sensor-silent"
	CauseSensorFaulty Cause = "sensor-faulty"
	LinkLost          Cause = "link-lost"
	Unknown           Cause = "unknown"
)

// Priority says who may be disturbed, and when.
type Priority uint8

// The priorities. High wakes people at night, Medium waits for the morning, LowPriority goes into the evening round.
const (
	LowPriority Priority = iota + 1
	Medium
	High
)

var priorityNames = map[Priority]string{LowPriority: "low", Medium: "medium", High: "high"}

// String returns "low", "medium" or "high".
func (p Priority) String() string {
	if s, ok := priorityNames[p]; ok {
		return s
	}
	return fmt.Sprintf("priority(%d)", uint8(p))
}

// MarshalText returns the priority's name, and nothing for none.
func (p Priority) MarshalText() ([]byte, error) { return []byte(priorityNames[p]), nil }

// UnmarshalText reads a priority's name.
func (p *Priority) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*p = 0
		return nil
	}
	for v, s := range priorityNames {
		if s == string(b) {
			*p = v
			return nil
		}
	}
	return fmt.Errorf("priority %q is not low, medium or high", b)
}

// Finding is what is known about one trouble at one moment.
type Finding struct {
	Source    farm.Source `json:"source"`
	Condition Condition   `json:"condition"`
	Cause     Cause       `json:"cause"`
	Priority  Priority    `json:"priority"`
	Zones     []string    `json:"zones,omitempty"` // zones that ride on this alarm because one fault took them too

	KV      *float64 `json:"kv,omitempty"`         // the reading, kilovolts
	Worst   string   `json:"worst_zone,omitempty"` // the zone that it takes further down than its source, where there is one
	WorstKV *float64 `json:"worst_kv,omitempty"`   // and the reading there

	Or      Cause    `json:"or_cause,omitempty"` // what would show next to the same
	OrZones []string `json:"or_zones,omitempty"` // where else it may be
	WhenWet bool     `json:"when_wet,omitempty"` // it leads to earth only when wet

	Again []time.Time `json:"again,omitempty"` // when it was told of before, at the same place, and let go; the oldest first
	Dried bool        `json:"dried,omitempty"` // each time it let go as what dries

	DistanceM     *float64 `json:"distance_m,omitempty"`
	DistanceLowM  *float64 `json:"distance_low_m,omitempty"`
	DistanceHighM *float64 `json:"distance_high_m,omitempty"`

	BelowMinimumOn       *time.Time `json:"below_minimum_on,omitempty"`
	BelowMinimumEarliest *time.Time `json:"below_minimum_earliest,omitempty"`
	BelowMinimumLatest   *time.Time `json:"below_minimum_latest,omitempty"`

	Text     string   `json:"text"`               // one sentence for a person: what, where, what to do first
	Evidence []string `json:"evidence,omitempty"` // what was seen, a phrase each, for the page
}

// EventKind says what happened to an alarm.
type EventKind string

// The kinds of event.
const (
	Raised    EventKind = "raised"
	Updated   EventKind = "updated"
	Returned  EventKind = "returned"
	Escalated EventKind = "escalated"
)

// Event is one step in an alarm's life, as replay prints it and the journal keeps it.
type Event struct {
	ID   string    `json:"id"` // the alarm's, the same from raised to returned
	Time time.Time `json:"time"`
	Kind EventKind `json:"event"`
	Finding

	// Withdrawn says of a return that the alarm was taken back, for another or because nothing shows it any more: nothing is
	// known of the trouble's end.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// MarshalJSON writes the event as one flat object with its time in UTC.
func (e Event) MarshalJSON() ([]byte, error) {
	type flat Event // drops the method, keeps the tags
	f := flat(e)
	f.Time = f.Time.UTC()
	return json.Marshal(f)
}

// AlarmID makes an alarm's identifier from when and on what it was raised. The same readings give the same one.
func AlarmID(raised time.Time, source farm.Source, c Condition) string {
	return raised.UTC().Format("20060102T150405Z") + "-" + cmp.Or(source.Name(), string(source)) + "-" + string(c)
}

// Action is what a person did or told us.
type Action struct {
	Time   time.Time   `json:"time"`
	Kind   ActionKind  `json:"action"`
	Alarm  string      `json:"alarm,omitempty"`  // the alarm's ID, for ack, shelve, unshelve, reset
	Source farm.Source `json:"source,omitempty"` // for the rest
	By     string      `json:"by,omitempty"`
	Until  time.Time   `json:"until,omitzero"` // when a shelving or out-of-service ends by itself
	Note   string      `json:"note,omitempty"`
	Move   bool        `json:"move,omitempty"` // out of service to be moved: the fence is another one afterwards

	Weather *Weather `json:"weather,omitempty"` // for Weathered

	Layout *farm.Layout `json:"layout,omitempty"` // for LaidOut

	Task  string     `json:"task,omitempty"`  // for Done: what was done
	On    time.Time  `json:"on,omitzero"`     // when it was done, where that is not when it was told
	Earth *EarthTest `json:"earth,omitempty"` // for Done, of the earth test
}

// When returns when it was done: the time that was stated, or that of telling.
func (a Action) When() time.Time {
	if a.On.IsZero() {
		return a.Time
	}
	return a.On
}

// EarthTest is what a test of the earth stakes showed. The stake's volts mean something only beside the fence's.
type EarthTest struct {
	StakeVolts float64 `json:"stake_v"`
	FenceVolts float64 `json:"fence_v"` // under the short
}

// Weather is what somebody without a station says that the weather was.
type Weather struct {
	Sky    Sky       `json:"sky"`
	From   time.Time `json:"from"` // when it was so, roughly
	To     time.Time `json:"to"`
	RainMM *float64  `json:"rain_mm,omitempty"` // where they have a gauge
}

// Sky is a kind of weather that means something for a fence.
type Sky string

// The kinds of weather that a person may report.
const (
	Rain  Sky = "rain"
	Dry   Sky = "dry" // the ground is
	Frost Sky = "frost"
	Snow  Sky = "snow" // it lies
)

// ActionKind says what was done.
type ActionKind string

// The actions.
const (
	Acknowledge  ActionKind = "ack"
	Shelve       ActionKind = "shelve"
	Unshelve     ActionKind = "unshelve"
	Reset        ActionKind = "reset"
	OutOfService ActionKind = "out_of_service"
	InService    ActionKind = "in_service"
	Trimmed      ActionKind = "trimmed"
	Restrung     ActionKind = "restrung"
	Note         ActionKind = "note"
	Answered     ActionKind = "answered" // the weekly test
	Weathered    ActionKind = "weather"  // on the site
	LaidOut      ActionKind = "laid_out" // the farm file has another layout; the note says what changed
	Done         ActionKind = "done"     // work that comes back, on the site or an energizer
	Turnout      ActionKind = "turnout"  // asked whether stock may go out; the note has the answer
	TestNow      ActionKind = "test"     // asked for a test message now, to be answered
)
