package web

import (
	"time"

	"nightwire/alerts"
	"nightwire/alerts/weather"
	"nightwire/ingest/farm"
)

// Overview is the farm as it is at one moment: everything the first page shows. Its times are UTC.
type Overview struct {
	Farm       string
	People     []string  // who may be named as having done something
	At         time.Time // the moment this picture was taken
	Energizers []Energizer
	Zones      []Zone // in feeding order, from the energizer outward
	Gone       []Zone // that were there once, for their history
	Layouts    farm.History
	Alarms     []Alarm  // those that are not Normal, the most pressing first
	Fences     []Fence  // the drawn fence, one for each energizer
	Test       *Test    // the last weekly test; nil before the first
	Troubles   []string // what the program itself cannot do just now, a sentence each: "Mail has failed for 2 h."
	Weather    Weather
}

// Weather is what is known of the weather, and what it means for the fence. A nil field is one that is not known.
type Weather struct {
	Station  bool // there is one
	HeardAt  time.Time
	TempC    *float64
	WindMS   *float64
	SnowCM   *float64
	Humidity *float64 // per cent
	RainMM   *float64 // of the last 24 hours
	Hints    []weather.Hint
	Said     []Said // of the last days, oldest first
}

// Said is what somebody said of the weather.
type Said struct {
	alerts.Weather
	At time.Time
	By string
}

// Test is the weekly test of the way to people.
type Test struct {
	ID       string
	Sent     time.Time
	AnswerBy time.Time // by when somebody is to have answered; zero when that is settled
	Answers  []TestAnswer
}

// TestAnswer is that somebody has answered the weekly test.
type TestAnswer struct {
	By string // may be empty
	At time.Time
}

// Zone is one run of fence as the pages show it. A nil or zero field is one that is not known.
type Zone struct {
	Name        string
	Source      farm.Source
	FedBy       string // an energizer, or the zone before it
	LengthM     float64
	StockKind   string
	Training    bool     // animals learn here what a fence is
	KV          *float64 // the last reading, kilovolts
	HeardAt     time.Time
	Every       time.Duration // how often its sensor reports
	MinimumKV   float64
	MinimumFrom MinimumFrom
	CleanKV     float64 // what it should carry with nothing growing on it; the right end of its bar
	OutUntil    time.Time
	Forecast    *Forecast
	Spark       Series // the last 24 hours, kilovolts
}

// Ours reports whether the minimum is only our default for the stock.
func (z Zone) Ours() bool { return z.MinimumFrom == MinimumOurs }

// Standing says what our default minimum rests on; empty for stock we have none for.
func (z Zone) Standing() string {
	m, _ := farm.DefaultMinimum(z.StockKind)
	return m.Standing
}

// MinimumFrom says who chose a zone's minimum.
type MinimumFrom uint8

// Where a minimum comes from.
const (
	MinimumGiven MinimumFrom = iota // the farm file
	MinimumOurs                     // our default for the stock
)

// Forecast says when growth will pull a zone under its minimum.
type Forecast struct {
	FromAt               time.Time // the day the forecast starts from, and the level on that day
	FromKV               float64   // 0 where the zone has no sensor
	On, Earliest, Latest time.Time
}

// Energizer is what feeds the fence, as the pages show it. A nil field is one that is not known.
type Energizer struct {
	Name       string
	Source     farm.Source
	Battery    bool // false: it runs on the mains
	HeardAt    time.Time
	Every      time.Duration
	OutUntil   time.Time
	OutputKV   *float64
	OpenKV     float64 // with the fence unhooked
	IntervalMS *float64
	SupplyV    *float64
	LoadOhms   *float64 // what the whole fence is to it
	LoadSDOhms float64  // standard deviation of LoadOhms; 0 when not known
	LoadShare  *float64 // 1: its lowest zone is at its minimum
	EarthKV    *float64 // on the earth stakes
	EarthMaxKV float64  // above this the earth wants looking at
	EarthOhms  *float64

	SupplyLowOn       time.Time // when the battery will want changing; zero when that cannot be told
	SupplyLowEarliest time.Time
	SupplyLowLatest   time.Time
	Spark             Series
}

// Alarm is one trouble, with what people did about it.
type Alarm struct {
	alerts.Finding
	ID       string
	State    AlarmState
	Since    time.Time
	Returned time.Time // zero while the trouble lasts
	AckedBy  string
	AckedAt  time.Time
	Until    time.Time // when a shelving or out-of-service ends by itself
	Steps    []Step    // oldest first; only filled for one alarm's own page
}

// AlarmState is a state of IEC 62682, under its name there.
type AlarmState string

// The states an alarm may be in.
const (
	Normal             AlarmState = "Normal"
	UnackActive        AlarmState = "UnackActive"
	AckedActive        AlarmState = "AckedActive"
	UnackRTN           AlarmState = "UnackRTN"
	LatchedUnack       AlarmState = "LatchedUnack"
	LatchedAcked       AlarmState = "LatchedAcked"
	Shelved            AlarmState = "Shelved"
	SuppressedByDesign AlarmState = "SuppressedByDesign"
	OutOfService       AlarmState = "OutOfService"
)

// Unacked reports whether somebody has still to say that they know of the alarm.
func (a Alarm) Unacked() bool {
	return a.State == UnackActive || a.State == UnackRTN || a.State == LatchedUnack
}

// Hushed reports whether the alarm was put aside for a time.
func (a Alarm) Hushed() bool {
	return a.State == Shelved || a.State == SuppressedByDesign || a.State == OutOfService
}

// Active reports whether the trouble itself lasts and nobody has put it aside.
func (a Alarm) Active() bool { return a.State == UnackActive || a.State == AckedActive }

// Step is one thing that happened to an alarm or a source: raised, told to someone, acknowledged, trimmed.
type Step struct {
	At   time.Time
	What string // a key of the words file under "step.", or the text itself
	By   string
	Text string
}

// Fence is the drawn fence of one energizer, with the voltage along it.
type Fence struct {
	Energizer string
	Runs      []Run // in feeding order, each after the run that feeds it
	Suspect   *Place
}

// Run is one zone on the drawn fence.
type Run struct {
	Zone      string
	FedBy     string
	LengthM   float64
	MinimumKV float64
	EndKV     *float64     // measured at its far end
	Curve     []MetrePoint // fitted, metres from the run's own start
}

// MetrePoint is a voltage at a place.
type MetrePoint struct{ M, KV float64 }

// Place is where a fault is thought to be: metres from the start of a zone, with the interval.
type Place struct {
	Zone           string
	M, LowM, HighM float64
}

// Bucket sums up the readings of a stretch of time.
type Bucket struct {
	Start          time.Time
	N              int
	Min, Mean, Max float64
}

// Span is a stretch of time.
type Span struct{ From, To time.Time }

// Series is one quantity over a stretch of time. Buckets without readings are left out; Gaps are the exact stretches
// without reports, so that no zoom can hide them. Only those of under an hour may be missing, from a series of months.
type Series struct {
	Span
	Width   time.Duration // of a bucket
	Buckets []Bucket
	Gaps    []Span
}

// Day is one day of a zone in the farm's own time.
type Day struct {
	Start    time.Time
	N        int
	Min, Max float64
	Level    float64 // the dry-hour level: the 75th percentile of the day's hours
}

// Mark is something that happened at a time and helps to read a chart.
type Mark struct {
	At    time.Time
	Until time.Time // zero for a moment
	Kind  MarkKind
	By    string
	Text  string
}

// MarkKind says what a Mark is.
type MarkKind string

// The kinds of mark.
const (
	MarkTrimmed  MarkKind = "trimmed"
	MarkRestrung MarkKind = "restrung"
	MarkRain     MarkKind = "rain"
	MarkNote     MarkKind = "note"
	MarkOut      MarkKind = "out_of_service"
	MarkAlarm    MarkKind = "alarm"
	MarkTurnout  MarkKind = "turnout"
	MarkDone     MarkKind = "done"
)

// AlarmFilter chooses alarms from the history; zero fields choose all.
type AlarmFilter struct {
	Source    farm.Source
	Condition alerts.Condition
	Priority  alerts.Priority
	Span
	Limit int
}
