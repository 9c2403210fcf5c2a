package mqtt

import (
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// fakeMessage is a message with what the ledger looks at.
type fakeMessage struct {
	paho.Message
	id      uint16
	payload string
	again   bool
	qos     byte
}

func (m fakeMessage) MessageID() uint16 { return m.id }
func (m fakeMessage) Topic() string     { return "farm/brook" }
func (m fakeMessage) Payload() []byte   { return []byte(m.payload) }
func (m fakeMessage) Duplicate() bool   { return m.again }
func (m fakeMessage) Qos() byte         { return m.qos }

// step is one thing that happens to a message, and what should come of it.
type step struct {
	do      string // arrive, take, store, forget
	conn    uint32
	m       fakeMessage
	verdict verdict // of arrive
	again   bool    // of take
}

func (s step) run(t *testing.T, l *ledger) {
	t.Helper()
	m := &message{Message: s.m, conn: s.conn}
	if s.do != "arrive" { // the sum was filled in when it arrived
		newLedgerLike(l).arrive(m)
	}
	switch s.do {
	case "arrive":
		if got := l.arrive(m); got != s.verdict {
			t.Errorf("arrive gave %d, want %d", got, s.verdict)
		}
	case "take":
		if got := l.take(m); got != s.again {
			t.Errorf("take gave %v, want %v", got, s.again)
		}
	case "store":
		l.store([]*message{m})
	case "forget":
		l.forget(m)
	default:
		t.Fatalf("no such step %q", s.do)
	}
}

func TestLedger(t *testing.T) {
	a := fakeMessage{id: 1, payload: "a", qos: 1}
	a2 := fakeMessage{id: 1, payload: "a", qos: 1, again: true}
	b := fakeMessage{id: 1, payload: "b", qos: 1}
	b2 := fakeMessage{id: 1, payload: "b", qos: 1, again: true}
	q0 := fakeMessage{payload: "a"}
	tests := []struct {
		name  string
		steps []step
	}{
		{"again after it was stored", []step{
			{do: "arrive", conn: 1, m: a}, {do: "take", m: a}, {do: "store", m: a}, {do: "arrive", conn: 1, m: a2, verdict: done},
		}},
		{"again while it waits", []step{
			{do: "arrive", conn: 1, m: a}, {do: "arrive", conn: 1, m: a2, verdict: queued},
		}},
		{"again on a new connection while it waits", []step{
			{do: "arrive", conn: 1, m: a}, {do: "arrive", conn: 2, m: a2},
			{do: "take", m: a}, {do: "take", m: a2, again: true},
			{do: "arrive", conn: 2, m: a2, verdict: queued}, {do: "store", m: a}, {do: "arrive", conn: 2, m: a2, verdict: done},
		}},
		{"again on a new connection while it is being stored", []step{
			{do: "arrive", conn: 1, m: a}, {do: "take", m: a}, {do: "arrive", conn: 2, m: a2},
			{do: "store", m: a}, {do: "take", m: a2, again: true},
		}},
		{"again after it was dropped", []step{
			{do: "arrive", conn: 1, m: a}, {do: "forget", m: a}, {do: "arrive", conn: 1, m: a2}, {do: "take", m: a2},
		}},
		{"the same again as a new message", []step{
			{do: "arrive", conn: 1, m: a}, {do: "take", m: a}, {do: "store", m: a}, {do: "arrive", conn: 1, m: a}, {do: "take", m: a},
		}},
		{"another under the same identifier", []step{
			{do: "arrive", conn: 1, m: a}, {do: "arrive", conn: 2, m: b}, {do: "take", m: a}, {do: "store", m: a},
			{do: "arrive", conn: 2, m: b2, verdict: queued}, {do: "arrive", conn: 3, m: b2}, {do: "take", m: b}, {do: "take", m: b2, again: true},
		}},
		{"again under a new identifier", []step{
			{do: "arrive", conn: 1, m: a}, {do: "take", m: a}, {do: "store", m: a},
			{do: "arrive", conn: 1, m: fakeMessage{id: 9, payload: "a", qos: 1, again: true}, verdict: done},
			{do: "arrive", conn: 1, m: fakeMessage{id: 9, payload: "b", qos: 1, again: true}},
		}},
		{"quality 0 is never known", []step{
			{do: "arrive", conn: 1, m: q0}, {do: "take", m: q0}, {do: "store", m: q0}, {do: "arrive", conn: 1, m: q0}, {do: "take", m: q0},
		}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			l := newLedger()
			for _, s := range tc.steps {
				s.run(t, l)
			}
		})
	}
}

// newLedgerLike returns an empty ledger that gives the same sums.
func newLedgerLike(l *ledger) *ledger { return &ledger{seed: l.seed} }

func TestStampsFollowTheClock(t *testing.T) {
	tests := []struct {
		name       string
		came, want []int64 // milliseconds
	}{
		{"apart", []int64{1000, 1500}, []int64{1000, 1500}},
		{"together", []int64{1000, 1000, 1000, 1001, 5000}, []int64{1000, 1001, 1002, 1003, 5000}},
		{"a little back", []int64{100_000, 99_000, 99_500}, []int64{100_000, 100_001, 100_002}},
		{"set back an hour", []int64{4e6, 4e5, 4e5 + 60_000}, []int64{4e6, 4e5, 4e5 + 60_000}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStamps(nil)
			var got []int64
			for _, ms := range tt.came {
				got = append(got, s.take(msTime(ms)).UnixMilli())
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("stamps (-want +got):\n%s", diff)
			}
		})
	}
	t.Run("a burst of five minutes", func(t *testing.T) {
		s := newStamps(nil)
		var last time.Time
		for i := range 300_000 {
			got := s.take(msTime(1000 + int64(i/100)))
			if !got.After(last) {
				t.Fatalf("message %d has the time of another", i)
			}
			last = got
		}
	})
	t.Run("a sensor gone mad", func(t *testing.T) {
		s := newStamps(nil)
		for i := range 1_000_000 {
			came := msTime(1000 + int64(i/10))
			if ahead := s.take(came).Sub(came); ahead > maxAhead {
				t.Fatalf("message %d has a time %s ahead", i, ahead)
			}
		}
	})
	t.Run("one that nobody took", func(t *testing.T) {
		s := newStamps(nil)
		if a, b := s.offer("farm/brook", msTime(1000)), s.offer("farm/brook", msTime(1000)); a != b {
			t.Errorf("it was given %s, and the next %s", a.given, b.given)
		}
	})
}

// TestStampsOverARestart in the middle of a burst, whose stamps have run ahead of the clock.
func TestStampsOverARestart(t *testing.T) {
	s := newStamps(nil)
	var last time.Time
	for i := range 250_000 {
		last = s.take(msTime(1000 + int64(i/100)))
	}
	again := []pulse.Reading{{Arrived: last}}
	s = newStamps(again)
	if got := s.take(msTime(4000)); !got.After(last) {
		t.Errorf("given %s, which a reading has that came before", got)
	}
	for _, back := range []time.Duration{maxAhead, time.Hour} {
		s, came := newStamps(again), last.Add(-back)
		if got := s.take(came); !got.Equal(came) {
			t.Errorf("with the clock set back by %s given %s, want %s", back, got, came)
		}
	}
}

// take has a reading without a time of its own take the stamp offered.
func (s *stamps) take(came time.Time) time.Time {
	st := s.offer("farm/brook", came)
	s.keep("farm/brook", st)
	return st.given
}

func FuzzStampsNeverRepeat(f *testing.F) {
	f.Add([]byte{0, 0, 0, 1, 0, 255, 3})
	f.Fuzz(func(t *testing.T, steps []byte) {
		s := newStamps(nil)
		restart := len(steps) / 2
		seen := map[int64]bool{}
		at := int64(0)
		for i, d := range steps {
			at += int64(d % 4)
			if i > 0 && i == restart {
				s = newStamps([]pulse.Reading{{Arrived: s.last["farm/brook"].given}})
			}
			got := s.take(msTime(at)).UnixMilli()
			if seen[got] {
				t.Fatalf("arrival %d given twice", got)
			}
			if got < at {
				t.Fatalf("arrival %d before it came, at %d", got, at)
			}
			seen[got] = true
		}
	})
}
