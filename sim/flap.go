package sim

import (
	"math/rand/v2"
	"strconv"
	"time"
)

// flap is a contact that comes and goes: touching for a share of the time, some seconds at a go, and
// more in wind.
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
			return fl.at(at, s.gust(at))
		}
	}
	return false
}

// gust is the wind at a moment against its mean, from a fifth to three times.
func (s *Sim) gust(at time.Time) float64 {
	w := s.world
	return min(3, max(0.2, w.hours[w.moment(at).hour].WindMS/w.opts.Climate.withDefaults().WindMS))
}

func (fl *flap) at(at time.Time, gust float64) bool {
	duty := fl.fault.Level
	if duty <= 0 || duty >= 1 {
		duty = flapDuty
	}
	for !at.Before(fl.until) {
		fl.touching = !fl.touching
		mean := flapSeconds
		if !fl.touching {
			mean *= (1 - duty) / duty / gust
		}
		fl.until = fl.until.Add(time.Duration((0.5 + mean*fl.rng.ExpFloat64()) * float64(time.Second)))
	}
	return fl.touching
}
