package alerts

import "fmt"

// State is where an alarm point stands (IEC 62682 / ISA-18.2; OPC 10000-9 for the names of the moves).
type State string

// The states. A point is hidden while it is shelved (by a person), suppressed (by a rule) or out of service (by a
// person, for work): it is followed, but announces nothing.
const (
	StateNormal       State = "Normal"             // well, and nobody is owed an answer
	StateUnackActive  State = "UnackActive"        // wrong, and nobody has answered
	StateAckedActive  State = "AckedActive"        // wrong, and somebody has it
	StateUnackRTN     State = "UnackRTN"           // returned to normal before anybody answered
	StateLatchedUnack State = "LatchedUnack"       // returned, but kept until it is acknowledged and reset
	StateLatchedAcked State = "LatchedAcked"       // returned and acknowledged, kept until it is reset
	StateShelved      State = "Shelved"            // put aside for a time
	StateSuppressed   State = "SuppressedByDesign" // follows from another alarm, says the rule
	StateOutOfService State = "OutOfService"       // being worked on
)

// Trigger is what may move a point from one state to another. What people do has the name of its ActionKind.
type Trigger string

// The triggers.
const (
	ConditionOn       Trigger = "condition_on"  // after the detector's own on-delay
	ConditionOff      Trigger = "condition_off" // after the detector's own off-delay and deadband
	RealarmTimer      Trigger = "realarm_timer"
	ShelfTimerExpired Trigger = "shelf_timer_expired"
	SuppressByDesign  Trigger = "suppress_by_design"
	RuleFalse         Trigger = "rule_false"
)

// Given holds the facts on which a move depends.
type Given struct {
	On       bool // the condition is there
	Latching bool // the point stays listed until it is reset
	OneShot  bool // the shelving ends when the condition does
	TooLong  bool // the shelving asked for is longer than is allowed
}

// Annunciation says what people are to notice of a move.
type Annunciation string

// The annunciations.
const (
	Quiet      Annunciation = "no"
	Announce   Annunciation = "yes"         // tell people, and start waiting for an answer
	Silence    Annunciation = "silence"     // stop telling: somebody has answered
	KeepListed Annunciation = "keep listed" // it is over, but was never answered
)

// RefusedError says that what a person asked for is not a move from where the alarm stands.
type RefusedError struct {
	State   State
	Trigger Trigger
	Hint    string // what to do instead
}

// Error returns what was refused and what to do instead.
func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s is not possible while the alarm is %s\nhint: %s", e.Trigger, e.State, e.Hint)
}

// Move returns where trigger t takes a point that stands at s. What a person asks for and the table of moves does not
// have is refused, with s unchanged; a fact (the condition, a timer, a rule) that it does not have changes nothing.
//
// SuppressByDesign has no caller in Book: one fault is one alarm because the detectors let zones ride on it, which
// is that suppression done at its root. The move is here so that the table is whole.
func Move(s State, t Trigger, g Given) (State, Annunciation, error) {
	switch t {
	case ConditionOn:
		return moveOn(s)
	case ConditionOff:
		return moveOff(s, g)
	case RealarmTimer:
		if s == StateAckedActive && g.On {
			return StateUnackActive, Announce, nil
		}
	case ShelfTimerExpired:
		if s == StateShelved {
			return unhide(g)
		}
	case SuppressByDesign:
		return StateSuppressed, Quiet, nil
	case RuleFalse:
		if s == StateSuppressed {
			return unhide(g)
		}
	default:
		return moveByHand(s, t, g)
	}
	return s, Quiet, nil
}

func moveOn(s State) (State, Annunciation, error) {
	switch s {
	case StateNormal, StateUnackRTN, StateLatchedAcked:
		return StateUnackActive, Announce, nil
	}
	return s, Quiet, nil
}

func moveOff(s State, g Given) (State, Annunciation, error) {
	switch {
	case s == StateUnackActive && g.Latching:
		return StateLatchedUnack, KeepListed, nil
	case s == StateUnackActive:
		return StateUnackRTN, KeepListed, nil
	case s == StateAckedActive && g.Latching:
		return StateLatchedAcked, Quiet, nil
	case s == StateAckedActive, s == StateShelved && g.OneShot:
		return StateNormal, Quiet, nil
	}
	return s, Quiet, nil
}

func moveByHand(s State, t Trigger, g Given) (State, Annunciation, error) {
	switch ActionKind(t) {
	case Acknowledge:
		switch s {
		case StateUnackActive:
			return StateAckedActive, Silence, nil
		case StateUnackRTN:
			return StateNormal, Silence, nil
		case StateLatchedUnack:
			return StateLatchedAcked, Silence, nil
		}
		return refuse(s, t, "nothing waits for an answer here; look at the list of alarms")
	case Shelve:
		return moveShelve(s, t, g)
	case Unshelve:
		if s == StateShelved {
			return unhide(g)
		}
		return refuse(s, t, "it is not shelved; nothing needs to be done")
	case Reset:
		if s == StateLatchedAcked && !g.On {
			return StateNormal, Quiet, nil
		}
		return refuse(s, t, "reset comes last: mend the fault, acknowledge, then reset")
	case OutOfService:
		return StateOutOfService, Quiet, nil
	case InService:
		if s == StateOutOfService {
			return unhide(g)
		}
		return refuse(s, t, "it is in service; nothing needs to be done")
	}
	return refuse(s, t, "see the manual for what can be done to an alarm")
}

func moveShelve(s State, t Trigger, g Given) (State, Annunciation, error) {
	if g.TooLong {
		return refuse(s, t, "shelve it for a shorter time; it comes back by itself")
	}
	switch s {
	case StateUnackActive:
		return StateShelved, Silence, nil
	case StateNormal, StateAckedActive:
		return StateShelved, Quiet, nil
	}
	return refuse(s, t, "acknowledge or reset it first")
}

// unhide returns where a point goes when it is no longer hidden. An answer given before it was hidden does not count:
// whoever gave it may be long gone.
func unhide(g Given) (State, Annunciation, error) {
	if g.On {
		return StateUnackActive, Announce, nil
	}
	return StateNormal, Quiet, nil
}

func refuse(s State, t Trigger, hint string) (State, Annunciation, error) {
	return s, Quiet, &RefusedError{State: s, Trigger: t, Hint: hint}
}
