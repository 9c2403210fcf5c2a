package alerts

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"nightwire/ingest/farm"
)

// MessageKind says why a message is sent.
type MessageKind string

// The kinds of message.
const (
	TellRaised    MessageKind = "raised"
	TellUpdated   MessageKind = "updated"
	TellRepeat    MessageKind = "repeat"       // nobody has answered yet
	TellEscalated MessageKind = "escalated"    // whoever was told before has not answered
	TellTaken     MessageKind = "acknowledged" // somebody else has it
	TellReturned  MessageKind = "returned"
	TellReminder  MessageKind = "reminder" // an out-of-service is about to end, or has ended
	TellRound     MessageKind = "round"    // the evening round
	TellMorning   MessageKind = "morning"  // the report of the night
	TellWeekly    MessageKind = "weekly"   // the weekly letter
	TellTest      MessageKind = "test"
)

// Message is one thing to tell one person by one route. The outbox keeps it until its channel has taken it.
type Message struct {
	Key      string      `json:"key"` // the same happening, person and route make the same key, so nothing is sent twice
	Kind     MessageKind `json:"kind"`
	Farm     string      `json:"farm"`
	Person   string      `json:"person"`
	Route    farm.Route  `json:"route"`
	Priority Priority    `json:"priority"` // of the most urgent alarm in it
	Created  time.Time   `json:"created"`
	Subject  string      `json:"subject"`           // at most 120 characters, enough by itself on a lock screen
	Body     string      `json:"body"`              // plain text
	Alarms   []Event     `json:"alarms,omitempty"`  // what it is about, most urgent first
	Answers  bool        `json:"answers,omitempty"` // it can be acknowledged: the sender adds Link
	Picture  *Picture    `json:"picture,omitempty"` // for channels that can carry one
	Link     string      `json:"-"`                 // made when it is sent, since it expires; a secret, so never stored

	Tries   int       `json:"tries,omitempty"`
	NextTry time.Time `json:"next_try,omitzero"` // zero before the first
}

// Picture is an image that goes along with a message.
type Picture struct {
	Name string `json:"name"` // of the file
	Type string `json:"type"` // as image/png
	Data []byte `json:"data"`
}

// Loud reports whether the message is to make a noise at night.
func (m *Message) Loud() bool {
	switch m.Kind {
	case TellRaised, TellUpdated, TellRepeat, TellEscalated, TellReminder:
		return m.Priority == High
	}
	return false
}

// Text returns the body with the link to acknowledge, where there is one.
func (m *Message) Text() string {
	if m.Link == "" {
		return m.Body
	}
	return m.Body + "\nTo say you have it, open this and press the button:\n" + m.Link + "\n"
}

// LockScreen is how many characters of a message a phone shows before it is opened; common practice, no source.
const LockScreen = 120

// List joins names as a sentence does, with word, "and" or "or", before the last.
func List(names []string, word string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " " + word + " " + names[last]
}

// ClockTime writes a time as people say it on the day of now: 02:10, of the last days or the next ones Tue 02:10, else 3 Jun 02:10.
// Both are in the time of the place.
func ClockTime(now, at time.Time) string {
	switch {
	case now.Format(time.DateOnly) == at.Format(time.DateOnly):
		return at.Format("15:04")
	case now.Sub(at).Abs() < 6*24*time.Hour:
		return at.Format("Mon 15:04")
	}
	return at.Format("2 Jan 15:04")
}

// Shorten cuts a subject to the lock screen, between words.
func Shorten(s string) string {
	if utf8.RuneCountInString(s) <= LockScreen {
		return s
	}
	t := string([]rune(s)[:LockScreen-1])
	if i := strings.LastIndexByte(t, ' '); i > LockScreen/2 {
		t = t[:i]
	}
	return strings.TrimRight(t, " ,;:.") + "…"
}

// Outcome says what became of an attempt to send a message.
type Outcome string

// The outcomes. Pending is the only one after which a message is tried again.
const (
	Pending    Outcome = "pending"
	Taken      Outcome = "taken"      // the channel has it
	Refused    Outcome = "refused"    // the channel will never take it
	Superseded Outcome = "superseded" // a newer message to the same person says more
)

// Delivery is what became of a message, for the outbox.
type Delivery struct {
	Key     string
	Outcome Outcome
	At      time.Time
	Tries   int
	NextTry time.Time // for Pending
	Err     string    // why it was not taken; by Superseded, the newer message's key
}

// RetryAfterError is what a channel returns when the other side said how long to wait.
type RetryAfterError struct {
	After time.Duration
	Err   error
}

// Error returns the reason.
func (e *RetryAfterError) Error() string { return fmt.Sprintf("%v (asked to wait %s)", e.Err, e.After) }

// Unwrap returns the reason.
func (e *RetryAfterError) Unwrap() error { return e.Err }

// Key identifies the event: the same alarm, kind and time are the same event, however often it is said.
func (e *Event) Key() EventKey { return EventKey{ID: e.ID, Kind: e.Kind, UnixNano: e.Time.UnixNano()} }

// EventKey identifies an event.
type EventKey struct {
	ID       string
	Kind     EventKind
	UnixNano int64
}

// String returns the key as text that sorts by alarm.
func (k EventKey) String() string {
	return k.ID + "|" + string(k.Kind) + "|" + strconv.FormatInt(k.UnixNano, 10)
}

// Saved is one piece of state that outlives a restart. The journal keeps it without looking inside.
type Saved struct {
	Kind string // who owns it
	Key  string
	JSON json.RawMessage // nil: forget it
}

// MustJSON writes v, which holds nothing that JSON cannot say. Numbers of an event are some: the book drops what is none.
func MustJSON(v any) json.RawMessage {
	data, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("encode %T: %v", v, err))
	}
	return data
}

// Step is what one moment brought. It is recorded whole or not at all, so that a crash never separates an alarm from
// its messages.
type Step struct {
	Events   []Event
	Actions  []Action
	Saved    []Saved
	Messages []Message
}

// Empty reports whether there is nothing to record.
func (s *Step) Empty() bool {
	return len(s.Events)+len(s.Actions)+len(s.Saved)+len(s.Messages) == 0
}

// Add appends what t brought after s.
func (s *Step) Add(t Step) {
	s.Events = append(s.Events, t.Events...)
	s.Actions = append(s.Actions, t.Actions...)
	s.Saved = append(s.Saved, t.Saved...)
	s.Messages = append(s.Messages, t.Messages...)
}
