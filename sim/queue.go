package sim

import (
	"container/heap"
	"math/rand/v2"
	"strconv"
	"time"
)

// event is either a sensor's turn to report, or a message on its way.
type event struct {
	at      time.Time
	order   uint64 // of being planned, so that equal times keep an order
	sensor  *sensor
	topic   string
	payload []byte
}

// queue holds events, the earliest first.
type queue []event

var _ heap.Interface = (*queue)(nil)

func (q queue) Len() int { return len(q) }

func (q queue) Less(i, j int) bool {
	if c := q[i].at.Compare(q[j].at); c != 0 {
		return c < 0
	}
	return q[i].order < q[j].order
}

func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }

// Push appends an event for container/heap.
func (q *queue) Push(x any) { *q = append(*q, x.(event)) }

// Pop takes the last event for container/heap.
func (q *queue) Pop() any {
	old := *q
	e := old[len(old)-1]
	old[len(old)-1] = event{}
	*q = old[:len(old)-1]
	return e
}

// flap is a contact that comes and goes: touching for Duty of the time, some seconds at a go.
type flap struct {
	fault    *Fault
	rng      *rand.Rand
	touching bool
	until    time.Time
}

const (
	flapSeconds = 45.0 // mean length of a touch
	flapDuty    = 0.3  // share of the time it touches, unless the fault's Level says otherwise
)

func newFlap(f *Fault, seed uint64, i int) *flap {
	return &flap{fault: f, rng: rngFor(seed, "flap "+strconv.Itoa(i)), until: f.From}
}

// touching reports whether a flapping contact touches at a moment. Moments must not run backwards.
func (s *Sim) touching(f *Fault, at time.Time) bool {
	for _, fl := range s.flaps {
		if fl.fault == f {
			return fl.at(at)
		}
	}
	return false
}

func (fl *flap) at(at time.Time) bool {
	duty := fl.fault.Level
	if duty <= 0 || duty >= 1 {
		duty = flapDuty
	}
	for !at.Before(fl.until) {
		fl.touching = !fl.touching
		mean := flapSeconds
		if !fl.touching {
			mean *= (1 - duty) / duty
		}
		fl.until = fl.until.Add(time.Duration((0.5 + mean*fl.rng.ExpFloat64()) * float64(time.Second)))
	}
	return fl.touching
}
