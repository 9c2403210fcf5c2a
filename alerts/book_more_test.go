package alerts

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/farm"
)

// TestClockSetBack has the clock jump back a day in the middle: a new alarm is announced all the same, though the book
// has seen later times.
func TestClockSetBack(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook dead high"))
	b.Apply(at(5), say(5, "returned x brook dead high"))
	yesterday := -24.0 * 60
	for _, tt := range []struct{ what, want string }{
		{"raised y brook dead high", "raised y UnackRTN>UnackActive yes"},
		{"updated y brook dead high", "updated y UnackActive>UnackActive no"},
		{"returned y brook dead high", "returned y UnackActive>UnackRTN keep listed"},
	} {
		yesterday++
		if got := tell(b.Apply(at(yesterday), say(yesterday, tt.what))); got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.what, got, tt.want)
		}
	}
}

// TestNothingEndsLaterThanItMay has the clock set back a month while things are put aside.
func TestNothingEndsLaterThanItMay(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook low high"))
	for _, a := range []Action{act(Shelve, "x", "orla", 60), work(OutOfService, "hazel", 120)} {
		if _, err := b.Do(at(1), a); err != nil {
			t.Fatal(err)
		}
	}
	b.Saved()
	now := at(-30 * 24 * 60)
	b.NotLater(now)
	p, _ := b.Find("x")
	if got := p.ShelvedUntil.Sub(now); got != 24*time.Hour {
		t.Errorf("shelved for %s more, want the longest shelving", got)
	}
	for _, h := range b.Holds() {
		if got := h.Until.Sub(now); got != 7*24*time.Hour {
			t.Errorf("out of service for %s more, want the longest", got)
		}
		if h.RemindAt.After(h.Until) {
			t.Errorf("the reminder comes at %s, after the end at %s", h.RemindAt, h.Until)
		}
	}
	if got := len(b.Saved()); got != 2 {
		t.Errorf("%d changes are saved, want 2", got)
	}
}

// TestClockSetForward ends a shelving early rather than late: nothing stays hidden longer than was asked for.
func TestClockSetForward(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook low high"))
	if _, err := b.Do(at(1), act(Shelve, "x", "orla", 60)); err != nil {
		t.Fatal(err)
	}
	if got := tell(b.Tick(at(24 * 60))); got != "x Shelved>UnackActive yes" {
		t.Errorf("got %q", got)
	}
	if n := b.Next(); !n.IsZero() {
		t.Errorf("something is still planned for %s", n)
	}
}

// TestChangesStayAsTheyWere keeps what was given out from changing with the book.
func TestChangesStayAsTheyWere(t *testing.T) {
	b := NewBook(BookOptions{})
	first := b.Apply(at(0), say(0, "raised x brook dead high"), say(0, "raised y brook low high"))
	before, err := json.Marshal(first)
	if err != nil {
		t.Fatal(err)
	}
	b.Apply(at(1), say(1, "updated y brook dead high", "hazel"))
	b.Apply(at(2), say(2, "returned x brook dead high"))
	if _, err := b.Do(at(3), act(Acknowledge, "y", "orla", 0)); err != nil {
		t.Fatal(err)
	}
	after, err := json.Marshal(first)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(before), string(after)); diff != "" {
		t.Errorf("(-given +now):\n%s", diff)
	}
}

// TestSeveralInOneCall gives one change for each event, in order.
func TestSeveralInOneCall(t *testing.T) {
	b := NewBook(BookOptions{})
	got := tell(b.Apply(at(0), say(0, "raised x brook dead high"), say(0, "raised x brook dead high"), say(0, "raised y hazel low high"), say(0, "returned x brook dead high")))
	want := "raised x Normal>UnackActive yes; raised y Normal>UnackActive yes; returned x UnackActive>UnackRTN keep listed"
	if got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestHoldTakesEveryCondition puts all of a zone's points out of service, and nothing else.
func TestHoldTakesEveryCondition(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised a brook dead high"), say(0, "raised b brook growth low"), say(0, "raised c hazel low high"))
	if _, err := b.Do(at(1), act(Acknowledge, "b", "orla", 0)); err != nil {
		t.Fatal(err)
	}
	cs, err := b.Do(at(2), work(OutOfService, "brook", 60))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := tell(cs), "a UnackActive>OutOfService no; b AckedActive>OutOfService no"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	want := []Hold{{Source: "zone/brook", From: at(2), Until: at(60), By: "orla", RemindAt: at(45.5)}}
	if diff := cmp.Diff(want, b.Holds()); diff != "" {
		t.Errorf("holds (-want +got):\n%s", diff)
	}
	b.Tick(at(45.5))
	// Both come back unanswered: whoever had answered may be long gone.
	if got, want := tell(b.Tick(at(60))), "a OutOfService>UnackActive yes; b OutOfService>UnackActive yes"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestReminderNamesTheWorst of what is wrong where somebody works.
func TestReminderNamesTheWorst(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised a brook growth low"), say(0, "raised b brook dead high"), say(0, "raised c brook silent medium"))
	if _, err := b.Do(at(2), work(OutOfService, "brook", 120)); err != nil {
		t.Fatal(err)
	}
	cs := b.Tick(at(91))
	if len(cs) != 1 || cs[0].Remind == nil || cs[0].Remind.By != "orla" || cs[0].Point.Condition != Dead || !cs[0].Point.On() {
		t.Errorf("got %+v, want a reminder that names dead", cs)
	}
	if again := b.Tick(at(92)); len(again) != 0 {
		t.Errorf("reminded again: %+v", again)
	}
}

func TestFind(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook dead high"))
	b.Apply(at(1), say(1, "raised again brook dead high")) // the same, under another name
	b.Apply(at(2), say(2, "returned x brook dead high"))
	for _, tt := range []struct {
		name string
		ok   bool
	}{{"x", true}, {"again", true}, {"zone/brook/dead", true}, {"zone/brook/low", false}, {"", false}, {"nix", false}} {
		t.Run("named "+tt.name, func(t *testing.T) {
			p, ok := b.Find(tt.name)
			if ok != tt.ok || ok && p.ID != "x" {
				t.Errorf("got %s, %t", p.ID, ok)
			}
		})
	}
}

func TestListedStates(t *testing.T) {
	for _, tt := range []struct {
		s    State
		on   bool
		want bool
	}{
		{StateNormal, false, false}, {StateUnackActive, true, true}, {StateAckedActive, true, true}, {StateUnackRTN, false, true},
		{StateLatchedUnack, false, true}, {StateLatchedAcked, false, true}, {StateShelved, true, true}, {StateShelved, false, false},
		{StateOutOfService, true, true}, {StateOutOfService, false, false}, {StateSuppressed, true, true},
	} {
		t.Run(fmt.Sprint(tt.s, " on ", tt.on), func(t *testing.T) {
			p := Point{State: tt.s}
			if tt.on {
				p.Open = []string{"x"}
			}
			if got := p.Listed(); got != tt.want {
				t.Errorf("listed is %t, want %t", got, tt.want)
			}
		})
	}
}

// TestSavedGivesEachChangeOnce and names what is to be forgotten.
func TestSavedGivesEachChangeOnce(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook dead high"))
	if _, err := b.Do(at(1), work(OutOfService, "brook", 60)); err != nil {
		t.Fatal(err)
	}
	keys := func() string {
		var out []string
		for _, s := range b.Saved() {
			mark := "="
			if s.JSON == nil {
				mark = "-"
			}
			out = append(out, mark+s.Kind+" "+s.Key)
		}
		return strings.Join(out, ", ")
	}
	if got := keys(); got != "=hold zone/brook, =point zone/brook/dead" {
		t.Errorf("first %q", got)
	}
	if got := keys(); got != "" {
		t.Errorf("again %q", got)
	}
	if _, err := b.Do(at(2), work(InService, "brook", 0)); err != nil {
		t.Fatal(err)
	}
	if got := keys(); got != "-hold zone/brook, =point zone/brook/dead" {
		t.Errorf("after the work %q", got)
	}
}

func TestLoadPassesOverOthers(t *testing.T) {
	b := NewBook(BookOptions{})
	if err := b.Load([]Saved{{Kind: "call", Key: "x", JSON: []byte("not for the book")}}, nil); err != nil {
		t.Errorf("got %v", err)
	}
	if len(b.Points()) != 0 {
		t.Errorf("got %v", b.Points())
	}
}

// TestTimeAlwaysGoesOn lets a random life run by its own timers alone, and wants the next always ahead: a timer that does
// not clear would spin the daemon.
func TestTimeAlwaysGoesOn(t *testing.T) {
	for seed := range uint64(10) {
		r := rand.New(rand.NewPCG(seed, 9))
		b := NewBook(BookOptions{RealarmAfter: time.Hour})
		now := 0.0
		for range 100 {
			now += r.Float64() * 30
			d := randomDo(r, now, b)
			if _, err := d.to(b); err != nil && d.act == nil {
				t.Fatal(err)
			}
			for fired := 0; ; fired++ {
				next := b.Next()
				if next.IsZero() || next.After(at(now)) {
					break
				}
				if fired > 100 {
					t.Fatalf("seed %d: the timer of %s fires for ever", seed, next)
				}
				b.Tick(next)
			}
		}
	}
}

// TestSourcesDoNotMix moves alarms on one source and wants every other left alone.
func TestSourcesDoNotMix(t *testing.T) {
	b := NewBook(BookOptions{})
	sources := []farm.Source{farm.ZoneSource("a"), farm.EnergizerSource("a"), farm.Site}
	for i, s := range sources {
		e := say(float64(i), fmt.Sprintf("raised x%d a silent medium", i))
		e.Source = s
		b.Apply(e.Time, e)
	}
	if _, err := b.Do(at(5), Action{Kind: OutOfService, Source: sources[0], Until: at(60)}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Do(at(6), act(Acknowledge, "x1", "orla", 0)); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range b.Points() {
		got = append(got, p.Key()+" "+string(p.State))
	}
	want := []string{"energizer/a/silent AckedActive", "site/silent UnackActive", "zone/a/silent OutOfService"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
