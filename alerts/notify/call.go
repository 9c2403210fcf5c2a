package notify

import (
	"math"
	"slices"
	"time"

	"nightwire/alerts"
)

// Call is how far the telling of one occurrence has come. It is saved with every step.
type Call struct {
	Event    alerts.Event    `json:"event"`             // the newest said of it
	Raised   time.Time       `json:"raised"`            // when it began
	Said     *alerts.Finding `json:"said,omitempty"`    // what people heard last; nil when nobody was told
	Told     []string        `json:"told,omitempty"`    // who has been told, in order
	SaidTo   saidTo          `json:"said_to,omitempty"` // what each of them heard last
	Level    int             `json:"level"`             // how many people have been called, first to last
	Updates  int             `json:"updates,omitempty"`
	Notices  []Notice        `json:"notices,omitempty"`  // to be told, perhaps later
	RepeatAt time.Time       `json:"repeat_at,omitzero"` // zero when it is not told again
	NextAt   time.Time       `json:"next_at,omitzero"`   // when the next person is called; zero for never
	RoundAt  time.Time       `json:"round_at,omitzero"`  // the evening round it goes into; zero for none
	Answered string          `json:"answered,omitempty"` // who has it; "-" when nobody gave a name
	PutOff   time.Time       `json:"put_off,omitzero"`   // until when it is shelved
	Hidden   bool            `json:"hidden,omitempty"`   // shelved or out of service: nobody is told
	Hold     *alerts.Hold    `json:"hold,omitempty"`     // stock are behind it while somebody works there
	Over     time.Time       `json:"over,omitzero"`      // when it returned to normal
	Back     *float64        `json:"back_kv,omitempty"`  // the voltage then
	Ended    string          `json:"ended,omitempty"`    // what the alarm said then
}

// saidTo is what each person who was told heard last, without its sentences. They are not all told at one moment.
type saidTo map[string]alerts.Finding

// Notice is one thing to tell one person of one call.
type Notice struct {
	Person string             `json:"person"`
	Kind   alerts.MessageKind `json:"kind"`
	Time   time.Time          `json:"time"` // when what it tells happened
	At     time.Time          `json:"at"`   // when it is due
}

// worker returns who took the fence out of service that stock are behind; empty for nobody.
func (c *Call) worker() string {
	if c.Hold == nil {
		return ""
	}
	return c.Hold.By
}

// heardBy returns what person heard of it last, or somebody did where that is not known; nil for nothing.
func (c *Call) heardBy(person string) *alerts.Finding {
	if f, ok := c.SaidTo[person]; ok {
		return &f
	}
	return c.Said
}

// id returns the occurrence.
func (c *Call) id() string { return c.Event.ID }

// open reports whether somebody may still be told of it.
func (c *Call) open() bool { return c.Over.IsZero() && !c.Hidden }

// unheard reports whether it is high and nobody has heard yet that it is.
func (c *Call) unheard() bool {
	return c.Event.Priority == alerts.High && (c.Said == nil || c.Said.Priority != alerts.High)
}

// done reports whether nothing is left to tell.
func (c *Call) done() bool { return !c.Over.IsZero() && len(c.Notices) == 0 && c.RoundAt.IsZero() }

// hush stops all that was planned.
func (c *Call) hush() {
	c.Notices, c.RepeatAt, c.NextAt, c.RoundAt = nil, time.Time{}, time.Time{}, time.Time{}
}

// add puts n among the notices. A person gets one at a time: what says more stays, and is worded when it is due, from
// what is known then.
func (c *Call) add(n Notice) {
	for i, old := range c.Notices {
		if old.Person != n.Person {
			continue
		}
		if weight(n.Kind) > weight(old.Kind) {
			n.At = later(n.At, old.At)
			c.Notices[i] = n
		}
		return
	}
	c.Notices = append(slices.Clip(c.Notices), n)
}

func sooner(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// weight orders kinds of which only one is to be told.
func weight(k alerts.MessageKind) int {
	return slices.Index([]alerts.MessageKind{alerts.TellRepeat, alerts.TellUpdated, alerts.TellEscalated, alerts.TellRaised}, k)
}

// changesErrand reports whether a person who heard old would do something else on hearing now: another fault, another
// place, more or fewer zones.
func changesErrand(old, now alerts.Finding) bool {
	if old.Source != now.Source || old.Condition != now.Condition || old.Cause != now.Cause || old.Priority != now.Priority {
		return true
	}
	if old.Or != now.Or || old.WhenWet != now.WhenWet {
		return true
	}
	a, b := slices.Sorted(slices.Values(old.Zones)), slices.Sorted(slices.Values(now.Zones))
	return !slices.Equal(a, b) || moved(old, now) || dateMoved(old, now)
}

// moved reports whether the place is known only now, or lies well outside where it was said to be.
func moved(old, now alerts.Finding) bool {
	if now.DistanceM == nil {
		return false
	}
	if old.DistanceM == nil {
		return true
	}
	const stroll = 25.0 // metres; what a person looking along a fence sees anyway
	low, high := *old.DistanceM, *old.DistanceM
	if old.DistanceLowM != nil && old.DistanceHighM != nil {
		low, high = *old.DistanceLowM, *old.DistanceHighM
	}
	return *now.DistanceM < low-stroll || *now.DistanceM > high+stroll
}

// dateMoved reports whether growth will win on another day than was said.
func dateMoved(old, now alerts.Finding) bool {
	if old.BelowMinimumOn == nil || now.BelowMinimumOn == nil {
		return old.BelowMinimumOn != now.BelowMinimumOn
	}
	return math.Abs(now.BelowMinimumOn.Sub(*old.BelowMinimumOn).Hours()) >= 24
}
