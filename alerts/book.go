package alerts

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// BookOptions sets how long things may be put aside. Zero fields take the defaults.
type BookOptions struct {
	MaxShelve       time.Duration      // longest shelving; default a day
	MaxOutOfService time.Duration      // longest out-of-service; default a week
	RemindBefore    time.Duration      // how long before an out-of-service ends people are reminded; default 30 minutes
	RealarmAfter    time.Duration      // an acknowledged alarm that is still on announces itself again after this; 0 never
	Latching        map[Condition]bool // conditions that stay listed until they are reset; none by default

	// Stock reports whether animals may be let out by a fence that is off at a source; nil for never.
	Stock func(farm.Source) bool
}

// Book holds every alarm point of one farm and moves it by events, by what people do, and by time. It does no input
// or output and has no clock: the same calls give the same changes, live or in replay. It is not safe for concurrent
// use.
type Book struct {
	opts    BookOptions
	points  map[string]*Point
	holds   map[farm.Source]*Hold
	byID    map[string]*Point // of open occurrences
	alias   map[string]string // occurrences found again under another ID
	seen    map[EventKey]bool
	seenAll []EventKey // in order, to forget the oldest
	dirty   map[savedKey]bool
}

// seenLimit is how many events are remembered to tell repeats. Detectors run again over the last readings after a
// restart repeat a few hundred at most.
const seenLimit = 10_000

// Point is an alarm point: one condition of one source. It outlives the occurrences on it.
type Point struct {
	Source    farm.Source `json:"source"`
	Condition Condition   `json:"condition"`
	State     State       `json:"state"`
	Since     time.Time   `json:"since"` // when it came to State

	ID       string    `json:"id"`             // of the newest occurrence
	Open     []string  `json:"open,omitempty"` // occurrences that have not returned; more than one only when they met here
	Raised   time.Time `json:"raised,omitzero"`
	Returned time.Time `json:"returned,omitzero"` // of the newest occurrence; zero while it is on
	Finding  Finding   `json:"finding"`           // the newest

	AckedAt      time.Time `json:"acked_at,omitzero"` // of this occurrence
	AckedBy      string    `json:"acked_by,omitempty"`
	ShelvedUntil time.Time `json:"shelved_until,omitzero"`
	ShelvedBy    string    `json:"shelved_by,omitempty"`
	OneShot      bool      `json:"one_shot,omitempty"`
	RealarmAt    time.Time `json:"realarm_at,omitzero"`
}

// Key returns what names the point: "zone/brook/dead".
func (p *Point) Key() string { return pointKey(p.Source, p.Condition) }

// On reports whether the condition is there now.
func (p *Point) On() bool { return len(p.Open) > 0 }

// Listed reports whether the point belongs on the list of alarms: it is on, or waits for an answer or a reset.
func (p *Point) Listed() bool {
	switch p.State {
	case StateUnackRTN, StateLatchedUnack, StateLatchedAcked:
		return true
	}
	return p.On()
}

func pointKey(s farm.Source, c Condition) string { return string(s) + "/" + string(c) }

// Hold is a source that is out of service for a time, because somebody works there.
type Hold struct {
	Source   farm.Source `json:"source"`
	From     time.Time   `json:"from"`
	Until    time.Time   `json:"until"`
	By       string      `json:"by,omitempty"`
	Note     string      `json:"note,omitempty"`
	RemindAt time.Time   `json:"remind_at,omitzero"` // zero once it was done
}

// reminded reports whether it was said that the hold ends soon.
func (h *Hold) reminded() bool { return h.RemindAt.IsZero() }

// copied returns a copy of h to give away, nil for nil.
func (h *Hold) copied() *Hold {
	if h == nil {
		return nil
	}
	return new(*h)
}

// Change is what one call did to one point.
type Change struct {
	Time       time.Time
	ID         string // the occurrence concerned; empty when none is
	From       State
	Point      Point // as it stands now
	Annunciate Annunciation
	By         string // who did it, for what people do
	Event      *Event // what was said, under the ID the alarm goes by; nil for what people and timers do
	Remind     *Hold  // set when it is time to say that this ends soon, or that stock are behind it while the fence is off
}

// NewBook returns an empty book.
func NewBook(opts BookOptions) *Book {
	opts.MaxShelve = cmp.Or(opts.MaxShelve, 24*time.Hour)
	opts.MaxOutOfService = cmp.Or(opts.MaxOutOfService, 7*24*time.Hour)
	opts.RemindBefore = cmp.Or(opts.RemindBefore, 30*time.Minute)
	if opts.Stock == nil {
		opts.Stock = func(farm.Source) bool { return false }
	}
	return &Book{
		opts: opts, points: map[string]*Point{}, holds: map[farm.Source]*Hold{}, byID: map[string]*Point{},
		alias: map[string]string{}, seen: map[EventKey]bool{}, dirty: map[savedKey]bool{},
	}
}

// Apply takes in what the detectors say. An event that was said before changes nothing and gives no Change; every other
// event gives one. An occurrence may change its condition: it then moves to that point and takes an answer along.
func (b *Book) Apply(now time.Time, events ...Event) []Change {
	var out []Change
	for _, e := range events {
		if b.saidBefore(e.Key()) {
			continue
		}
		if id, ok := b.alias[e.ID]; ok {
			e.ID = id
		}
		dropNaN(&e.Finding)
		if e.Kind == Returned {
			out = append(out, b.close(now, e))
		} else {
			out = append(out, b.open(now, e))
		}
	}
	return out
}

// dropNaN takes out what is not a number: it says nothing, and JSON cannot hold it.
func dropNaN(f *Finding) {
	for _, v := range []**float64{&f.KV, &f.WorstKV, &f.DistanceM, &f.DistanceLowM, &f.DistanceHighM} {
		if *v != nil && (math.IsNaN(**v) || math.IsInf(**v, 0)) {
			*v = nil
		}
	}
}

func (b *Book) saidBefore(k EventKey) bool {
	if b.seen[k] {
		return true
	}
	b.seen[k] = true
	b.seenAll = append(b.seenAll, k)
	if len(b.seenAll) > seenLimit {
		delete(b.seen, b.seenAll[0])
		b.seenAll = b.seenAll[1:]
	}
	return false
}

// open brings e, raised or updated, onto its point. An update of an occurrence that is not known is taken as raised,
// since an alarm must not get lost.
func (b *Book) open(now time.Time, e Event) Change {
	p := b.point(e.Source, e.Condition, now)
	old := b.byID[e.ID]
	if old == nil && p.On() {
		// Detectors that started cold have found the same trouble again: it goes on under its first ID.
		b.alias[e.ID] = p.ID
		e.ID, e.Kind = p.ID, Updated
		old = p
	}
	h := b.holds[e.Source]
	if h != nil && h.reminded() && b.unguarded(e.Finding) {
		e.Priority = High
	} else {
		h = nil
	}
	c := Change{Time: now, ID: e.ID, From: p.State, Annunciate: Quiet, Event: &e, Remind: h.copied()}
	urgent := old != nil && e.Priority > old.Finding.Priority
	switch {
	case old == nil:
		p.Open, p.Raised = []string{e.ID}, e.Time
		p.AckedAt, p.AckedBy = time.Time{}, ""
		if p.State == StateLatchedUnack {
			c.Annunciate = Announce // the table has no row: nothing moves, but nobody has been told of this occurrence
		}
	case old != p:
		b.carry(now, old, p, e.ID, urgent)
	}
	p.ID, p.Finding, p.Returned = e.ID, e.Finding, time.Time{}
	b.byID[e.ID] = p
	b.hide(now, p, &c)
	b.move(now, p, ConditionOn, &c)
	if urgent && p.State == StateAckedActive {
		b.move(now, p, RealarmTimer, &c) // an answer to a lesser trouble is no answer to this one
	}
	b.touch(p)
	c.Point = *p
	return c
}

// carry takes the occurrence id from one point to another, with the answer it was given. A shelving stays behind: it was
// meant for the old condition.
func (b *Book) carry(now time.Time, from, to *Point, id string, urgent bool) {
	to.Open = append(slices.Clone(to.Open), id)
	to.Raised = from.Raised
	to.AckedAt, to.AckedBy = from.AckedAt, from.AckedBy
	from.Open = without(from.Open, id)
	if from.State == StateAckedActive || from.State == StateUnackActive {
		if to.State == StateNormal && !urgent {
			to.State, to.Since, to.RealarmAt = from.State, now, from.RealarmAt
		}
		if !from.On() {
			from.State, from.Since, from.RealarmAt = StateNormal, now, time.Time{}
		}
	}
	b.touch(from)
}

// without returns a new slice, since changes that were given out share the old one.
func without(ids []string, id string) []string {
	var out []string
	for _, s := range ids {
		if s != id {
			out = append(out, s)
		}
	}
	return out
}

// close takes in that an occurrence has returned to normal.
func (b *Book) close(now time.Time, e Event) Change {
	p := b.byID[e.ID]
	if p == nil {
		p = b.point(e.Source, e.Condition, now)
		if p.On() {
			e.ID = p.ID // what returned is what is on here, whatever it was called
		}
	}
	c := Change{Time: now, ID: e.ID, From: p.State, Annunciate: Quiet, Event: &e}
	if b.byID[e.ID] == p {
		delete(b.byID, e.ID)
		p.Open = without(p.Open, e.ID)
		if p.On() {
			p.ID = p.Open[len(p.Open)-1]
		} else {
			p.Returned = e.Time
			b.move(now, p, ConditionOff, &c)
		}
	}
	b.touch(p)
	c.Point = *p
	return c
}

// hide puts p out of service, or back, as the holds now say. A point is out of service only when its source and every
// zone that rides on it are: work on one zone must not silence the stock behind it. Nor does a hold that is about to
// end: once its reminder was due, a fence that is off with stock behind it wakes people as any other.
func (b *Book) hide(now time.Time, p *Point, c *Change) {
	held := b.held(p)
	switch {
	case held && p.State != StateOutOfService:
		b.move(now, p, Trigger(OutOfService), c)
	case !held && p.State == StateOutOfService:
		b.move(now, p, Trigger(InService), c)
	}
}

func (b *Book) held(p *Point) bool {
	h := b.holds[p.Source]
	if h == nil {
		return false
	}
	if !p.On() {
		return true
	}
	if h.reminded() && b.unguarded(p.Finding) {
		return false
	}
	return !slices.ContainsFunc(p.Finding.Zones, func(z string) bool { return b.holds[farm.ZoneSource(z)] == nil })
}

// unguarded reports whether f is a fence that holds nothing, with stock behind it.
func (b *Book) unguarded(f Finding) bool {
	switch f.Condition {
	case Dead, Low, Off:
		return b.opts.Stock(f.Source) || slices.ContainsFunc(f.Zones, func(z string) bool { return b.opts.Stock(farm.ZoneSource(z)) })
	}
	return false
}

// move moves p by t and notes in c what people are to notice.
func (b *Book) move(now time.Time, p *Point, t Trigger, c *Change) error {
	return b.moveGiven(now, p, t, b.given(p), c)
}

func (b *Book) given(p *Point) Given {
	return Given{On: p.On(), Latching: b.opts.Latching[p.Condition], OneShot: p.OneShot}
}

func (b *Book) moveGiven(now time.Time, p *Point, t Trigger, g Given, c *Change) error {
	to, say, err := Move(p.State, t, g)
	if err != nil {
		return err
	}
	if say != Quiet {
		c.Annunciate = say
	}
	if to == p.State {
		return nil
	}
	p.State, p.Since = to, now
	p.RealarmAt = time.Time{}
	switch to {
	case StateUnackActive:
		p.AckedAt, p.AckedBy = time.Time{}, ""
	case StateAckedActive:
		if b.opts.RealarmAfter > 0 {
			p.RealarmAt = now.Add(b.opts.RealarmAfter)
		}
	}
	if to != StateShelved {
		p.ShelvedUntil, p.ShelvedBy, p.OneShot = time.Time{}, "", false
	}
	b.touch(p)
	return nil
}

func (b *Book) point(s farm.Source, c Condition, now time.Time) *Point {
	k := pointKey(s, c)
	p := b.points[k]
	if p == nil {
		p = &Point{Source: s, Condition: c, State: StateNormal, Since: now}
		b.points[k] = p
	}
	return p
}

// Points returns every point ever spoken of, in order of its key.
func (b *Book) Points() []Point {
	var out []Point
	for _, p := range b.sorted() {
		out = append(out, *p)
	}
	return out
}

func (b *Book) sorted() []*Point {
	var out []*Point
	for _, k := range slices.Sorted(maps.Keys(b.points)) {
		out = append(out, b.points[k])
	}
	return out
}

// Listed returns the points that belong on the list of alarms, most urgent and then oldest first. Those that are hidden
// are among them; State says so.
func (b *Book) Listed() []Point {
	out := slices.DeleteFunc(b.Points(), func(p Point) bool { return !p.Listed() })
	slices.SortStableFunc(out, func(p, q Point) int {
		return cmp.Or(cmp.Compare(q.Finding.Priority, p.Finding.Priority), p.Raised.Compare(q.Raised))
	})
	return out
}

// Holds returns what is out of service, in order of source.
func (b *Book) Holds() []Hold {
	var out []Hold
	for _, s := range slices.Sorted(maps.Keys(b.holds)) {
		out = append(out, *b.holds[s])
	}
	return out
}

// Find returns the point that name stands for: the ID of its newest or an open occurrence, or the point's key.
func (b *Book) Find(name string) (Point, bool) {
	if p := b.find(name); p != nil {
		return *p, true
	}
	return Point{}, false
}

func (b *Book) find(name string) *Point {
	if id, ok := b.alias[name]; ok {
		name = id
	}
	if p := b.byID[name]; p != nil {
		return p
	}
	if p := b.points[name]; p != nil {
		return p
	}
	for _, p := range b.sorted() {
		if p.ID == name && name != "" {
			return p
		}
	}
	return nil
}
