// Package detect decides what is wrong with the fence, from readings and time alone: it does no input or output and
// keeps no clock of its own, so that a replayed season gives what the live run gave.
//
// A reading passes three stages. Its sensor's own record says whether it is usual (track). The fence it stands on
// compares all sensors of one energizer: two readings that agree confirm a suspicion, and the change they show is held
// against every fault the circuit could have (diagnose). What is found becomes an incident, raised at once and updated
// while more is learnt. Beside that run the slow watches: silence, growth, the energizer's supply and earth, and
// sensors that cannot be true.
//
// The files, in the order in which a newcomer may read them:
//
//	watch, standing, view            what comes in and goes out: readings, acts, timers, alarms, the saved memory
//	track, era, silence              one sensor: what is usual, of when its level tells; sensor-silent and link-lost
//	fence                            the way of a reading through its energizer's fence, and the picture of it in quiet
//	suspicion, pace, wet             from the first odd reading to a word on it, and what rain does meanwhile
//	diagnose, misfit                 every fault that the circuit could have, held against a sudden change
//	shunt, alike, circuits, touch    short and intermittent: where a path to earth lies, and what else looks like it
//	parted, joints                   open and bad-joint
//	liar, truth                      sensor-faulty: alone with what it shows, frozen, or above one before it
//	incident, left, mended, off      a fault from its first alarm to its end; energizer-off
//	dips                             intermittent: touches too short to agree with each other
//	slow, days, growth, nosensor     vegetation: zones that creep under their minimum, and when they will
//	energizer, source                energizer-weak, supply-low and poor-earth
//	shift, weigh                     a change of a few per cent over hours and days: bad-joint, open within a loop
//	cracked                          short, but only when wet
//	text                             the sentences
package detect

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// Options says what to watch.
type Options struct {
	Farm   *farm.Farm
	Limits Limits // the zero value takes the defaults
}

// Limits decide between a quiet night and a missed fault. The defaults come from false alarms measured on seasons with
// correlated noise; the contributor guide has the table, and a test prints it.
type Limits struct {
	Dip     float64 // smallest sudden fall that is looked into, as a share of the level
	Silence float64 // how unlikely a run of lost reports must be by the sensor's own record, as -ln of the chance
	Wet     float64 // by how much a cause must beat wet growth before a harmless fall is told, squared standard deviations
	Shift   float64 // the same for a small change of the profile
}

// DefaultLimits are the limits used where none are given.
func DefaultLimits() Limits { return Limits{Dip: 0.12, Silence: 18, Wet: 6, Shift: 12} }

// Watch watches one farm. It is not safe for use by two goroutines at once.
type Watch struct {
	farm   *farm.Farm
	limits Limits
	tracks []*track // in the order of the file: energizers, then zones
	byID   map[pulse.SensorID]*track
	fences []*fence

	deaf, stayed float64 // the usual deaf runs of all links; summed up anew whenever silence is looked for

	state   state
	out     []alerts.Event
	nextDue ms
}

// state is what belongs to the farm as a whole and is saved.
type state struct {
	Now  ms
	Said ms // when the last event was
	Link standing
}

// New returns a watch that has heard nothing yet.
func New(opts Options) (*Watch, error) {
	if opts.Farm == nil {
		return nil, errors.New("a watch needs a farm")
	}
	if opts.Limits == (Limits{}) {
		opts.Limits = DefaultLimits()
	}
	w := &Watch{farm: opts.Farm, limits: opts.Limits, byID: map[pulse.SensorID]*track{}, nextDue: math.MaxInt64}
	for i := range w.farm.Energizers {
		e := &w.farm.Energizers[i]
		f, err := newFence(w, e)
		if err != nil {
			return nil, fmt.Errorf("watch energizer %s: %w", e.Name, err)
		}
		w.fences = append(w.fences, f)
	}
	return w, nil
}

// addTrack begins the record of one sensor; a thing without a sensor gets none.
func (w *Watch) addTrack(f *fence, node int, source farm.Source, name string, s farm.Sensor) *track {
	if s.Topic == "" {
		return nil
	}
	every := s.Every
	if every <= 0 {
		every = time.Minute
	}
	t := &track{id: SensorID(w.farm, source), source: source, name: name, every: every.Milliseconds(), fence: f, node: node}
	w.tracks = append(w.tracks, t)
	w.byID[t.id] = t
	return t
}

// SensorID returns the identifier under which the readings of the sensor at source are kept.
func SensorID(f *farm.Farm, source farm.Source) pulse.SensorID {
	return pulse.SensorID(f.Name + "/" + string(source))
}

// Observe takes a reading in and returns what it brought about, in order; timers due before it fire first. The slice
// is good until the next call.
func (w *Watch) Observe(r pulse.Reading) []alerts.Event {
	w.out = w.out[:0]
	arrived := toMS(r.Arrived)
	w.runTimers(arrived)
	w.state.Now = max(w.state.Now, arrived)
	t := w.byID[r.Sensor]
	if t == nil {
		return w.out
	}
	at := toMS(r.At)
	alive, news := t.hear(at, arrived)
	if alive {
		w.heard(t)
	}
	if news {
		t.fence.take(t, &r, at+t.usualLag())
	}
	return w.out
}

// Tick lets the timers due by now fire, and returns what they brought about.
func (w *Watch) Tick(now time.Time) []alerts.Event {
	w.out = w.out[:0]
	w.runTimers(toMS(now))
	return w.out
}

// Now returns the latest moment that the watch knows of.
func (w *Watch) Now() time.Time { return fromMS(w.state.Now) }

// Next returns when Tick next has something to do. It may be early, never late.
func (w *Watch) Next() time.Time {
	if w.nextDue == math.MaxInt64 {
		return time.Time{}
	}
	return fromMS(w.nextDue)
}

// runTimers fires every timer due by now, each at its own moment.
func (w *Watch) runTimers(now ms) {
	for w.nextDue <= now {
		at := w.nextDue
		w.state.Now = max(w.state.Now, at)
		w.nextDue = math.MaxInt64
		w.checkSilence(at)
		for _, f := range w.fences {
			f.timers(at)
		}
		if w.nextDue <= at { // a timer that wants its own moment again would never let go
			w.nextDue = at + 1000
		}
	}
}

// due asks for a timer at m.
func (w *Watch) due(m ms) { w.nextDue = min(w.nextDue, m) }

// Tell takes in what a person did.
func (w *Watch) Tell(a alerts.Action) []alerts.Event {
	w.out = w.out[:0]
	at := toMS(a.Time)
	w.runTimers(at)
	w.state.Now = max(w.state.Now, at)
	for _, f := range w.fences {
		f.tell(a)
	}
	return w.out
}

// Resume tells the watch that nobody has listened until now, as after a restart. Silence until then says nothing of the
// sensors: each gets its usual time to be heard from now on.
func (w *Watch) Resume(now time.Time) {
	at := toMS(now)
	for _, t := range w.tracks {
		if t.Heard && !t.Silence.up() && !w.state.Link.up() {
			t.LastHeard = max(t.LastHeard, at)
			w.due(t.LastHeard + ms((linkOverdue+0.25)*float64(t.every)))
		}
	}
}

// memory is the state as it is written out, with the checksum of its text: a card that gives back a wrong digit must not
// become what is usual on the fence.
type memory struct {
	Sum   uint32 // CRC-32 of Saved
	Saved json.RawMessage
}

// saved is the whole state.
type saved struct {
	Version int
	Farm    string
	State   state
	NextDue ms
	Tracks  map[pulse.SensorID]*track
	Fences  map[string]*fence
}

// stateVersion changes when an older state can no longer be read as it stands.
const stateVersion = 3

// MarshalBinary returns the watch's memory, so that a later one can go on as if it had never stopped.
func (w *Watch) MarshalBinary() ([]byte, error) {
	s := saved{Version: stateVersion, Farm: w.farm.Name, State: w.state, NextDue: w.nextDue, Tracks: w.byID, Fences: map[string]*fence{}}
	for _, f := range w.fences {
		s.Fences[f.energizer.Name] = f
	}
	text, err := json.Marshal(s)
	if err == nil {
		text, err = json.Marshal(memory{crc32.ChecksumIEEE(text), text})
	}
	if err != nil {
		return nil, fmt.Errorf("save the watch's memory: %w", err)
	}
	return text, nil
}

// ErrOtherLayout means that a memory belongs to a fence laid out otherwise; read the readings again instead.
var ErrOtherLayout = errors.New("the memory is of another layout")

// UnmarshalBinary takes up what MarshalBinary saved. Sensors that are new since then start afresh; when an
// energizer's zones have changed it returns ErrOtherLayout and leaves the watch as it was.
func (w *Watch) UnmarshalBinary(b []byte) error {
	s, err := w.readSaved(b)
	if err == nil && len(w.relaid(s)) > 0 {
		err = ErrOtherLayout
	}
	if err != nil {
		return err
	}
	w.takeUp(s)
	return nil
}

// Adopt takes up what MarshalBinary saved as far as the layout is what it was. An energizer whose circuit has changed
// begins anew with all its sensors: what was usual there before says nothing now. It returns those energizers.
func (w *Watch) Adopt(b []byte) (anew []string, err error) {
	s, err := w.readSaved(b)
	if err != nil {
		return nil, err
	}
	anew = w.relaid(s)
	w.takeUp(s)
	return anew, nil
}

func (w *Watch) readSaved(b []byte) (*saved, error) {
	var m memory
	err := json.Unmarshal(b, &m)
	if err == nil && crc32.ChecksumIEEE(m.Saved) != m.Sum {
		err = errors.New("its checksum is another")
	}
	var s saved
	if err == nil {
		err = json.Unmarshal(m.Saved, &s)
	}
	if err != nil {
		return nil, fmt.Errorf("read the watch's memory: %w", err)
	}
	if s.Version != stateVersion || s.Farm != w.farm.Name {
		return nil, ErrOtherLayout
	}
	return &s, nil
}

// same reports whether the circuit of f is what it was in s.
func (s *saved) same(f *fence) bool {
	old := s.Fences[f.energizer.Name]
	return old != nil && slices.Equal(old.Layout, f.Layout)
}

// relaid returns the energizers whose circuits are not what they were.
func (w *Watch) relaid(s *saved) []string {
	var out []string
	for _, f := range w.fences {
		if !s.same(f) {
			out = append(out, f.energizer.Name)
		}
	}
	return out
}

// takeUp takes up the state of each fence that is what it was.
func (w *Watch) takeUp(s *saved) {
	w.state, w.nextDue = s.State, s.NextDue
	for _, t := range w.tracks {
		if old := s.Tracks[t.id]; old != nil && s.same(t.fence) {
			t.takeOver(old)
		}
	}
	for _, f := range w.fences {
		if s.same(f) {
			f.takeOver(s.Fences[f.energizer.Name])
		}
	}
}
