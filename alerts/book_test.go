package alerts

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/farm"
)

func at(min float64) time.Time {
	return time.Date(2026, 4, 21, 1, 0, 0, 0, time.UTC).Add(time.Duration(min * float64(time.Minute)))
}

// say makes an event about a zone: "raised x brook dead high".
func say(min float64, words string, zones ...string) Event {
	w := strings.Fields(words)
	e := Event{ID: w[1], Time: at(min), Kind: EventKind(w[0])}
	e.Source, e.Condition, e.Zones, e.Text = farm.ZoneSource(w[2]), Condition(w[3]), slices.Concat(zones), words
	if err := e.Priority.UnmarshalText([]byte(w[4])); err != nil {
		panic(err)
	}
	return e
}

func act(kind ActionKind, alarm, by string, until float64) Action {
	a := Action{Kind: kind, Alarm: alarm, By: by}
	if until != 0 {
		a.Until = at(until)
	}
	return a
}

func work(kind ActionKind, zone string, until float64) Action {
	a := act(kind, "", "orla", until)
	a.Source = farm.ZoneSource(zone)
	return a
}

// do is one thing that happens to a book: an event, an action, or time passing.
type do struct {
	min   float64
	event *Event
	act   *Action
}

func ev(min float64, words string, zones ...string) do {
	return do{min: min, event: new(say(min, words, zones...))}
}
func hand(min float64, a Action) do { return do{min: min, act: &a} }
func tick(min float64) do           { return do{min: min} }

// tell writes changes as "id key From>To annunciation", joined by "; ".
func tell(cs []Change) string {
	var out []string
	for _, c := range cs {
		if c.Remind != nil && c.Event == nil {
			out = append(out, fmt.Sprintf("remind %s", c.Remind.Source))
			continue
		}
		s := fmt.Sprintf("%s %s>%s %s", c.ID, c.From, c.Point.State, c.Annunciate)
		if c.Event != nil {
			s = string(c.Event.Kind) + " " + s
		}
		out = append(out, s)
		if c.Remind != nil {
			out = append(out, fmt.Sprintf("stock behind %s", c.Remind.Source))
		}
	}
	return strings.Join(out, "; ")
}

func (d do) to(b *Book) (string, error) {
	switch {
	case d.event != nil:
		return tell(b.Apply(at(d.min), *d.event)), nil
	case d.act != nil:
		cs, err := b.Do(at(d.min), *d.act)
		return tell(cs), err
	}
	return tell(b.Tick(at(d.min))), nil
}

// TestBook lives through every life in testdata/book: a title, options, and lines of the minute, what happens, and what
// changes by it. Every life is led with a restart after each step.
func TestBook(t *testing.T) {
	files, err := filepath.Glob("testdata/book/*.txt")
	if err != nil || len(files) < 25 {
		t.Fatalf("%d lives, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			opts, lines := readLife(t, string(data))
			b := NewBook(opts)
			for _, line := range lines {
				what, want, _ := strings.Cut(line, " =>")
				got, err := readDo(t, what).to(b)
				if err != nil {
					t.Fatalf("%s: %v", line, err)
				}
				if diff := cmp.Diff(strings.TrimSpace(want), got); diff != "" {
					t.Errorf("%s (-want +got):\n%s", what, diff)
				}
				b = reload(t, b, opts)
			}
		})
	}
}

func readLife(t *testing.T, text string) (opts BookOptions, lines []string) {
	t.Helper()
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "#", "":
		case "latching":
			opts.Latching = map[Condition]bool{Condition(rest): true}
		case "stock":
			opts.Stock = func(s farm.Source) bool { return s == farm.ZoneSource(rest) }
		case "realarm":
			d, err := time.ParseDuration(rest)
			if err != nil {
				t.Fatal(err)
			}
			opts.RealarmAfter = d
		default:
			lines = append(lines, line)
		}
	}
	return opts, lines
}

// readDo reads "12 raised x brook dead high [zones…]", "12 ack x", "12 shelve x 60", "12 out brook 60" or "12 tick".
func readDo(t *testing.T, line string) do {
	t.Helper()
	f := strings.Fields(line)
	min, err := strconv.ParseFloat(f[0], 64)
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	if f[1] == "tick" {
		return tick(min)
	}
	until := 0.0
	if len(f) > 3 {
		until, _ = strconv.ParseFloat(f[3], 64)
	}
	switch kind, ok := map[string]ActionKind{"ack": Acknowledge, "shelve": Shelve, "unshelve": Unshelve, "reset": Reset}[f[1]]; {
	case ok:
		return hand(min, act(kind, f[2], "orla", until))
	case f[1] == "raised" || f[1] == "updated" || f[1] == "returned":
		return ev(min, strings.Join(f[1:6], " "), f[6:]...)
	}
	kind, ok := map[string]ActionKind{"out": OutOfService, "in": InService, "trimmed": Trimmed, "note": Note}[f[1]]
	if !ok {
		t.Fatalf("%s: not understood", line)
	}
	return hand(min, work(kind, f[2], until))
}

// reload returns a book that was saved and loaded: after every step a restart must not show. Aliases are the exception,
// so the same book goes on.
func reload(t *testing.T, b *Book, opts BookOptions) *Book {
	t.Helper()
	fresh := NewBook(opts)
	for k := range b.points {
		b.dirty[savedKey{savedPoint, k}] = true
	}
	for s := range b.holds {
		b.dirty[savedKey{savedHold, string(s)}] = true
	}
	if err := fresh.Load(last(b.Saved()), b.seenAll); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(b.Points(), fresh.Points()); diff != "" {
		t.Errorf("points after a restart (-before +after):\n%s", diff)
	}
	if diff := cmp.Diff(b.Holds(), fresh.Holds()); diff != "" {
		t.Errorf("holds after a restart (-before +after):\n%s", diff)
	}
	fresh.alias = b.alias
	return fresh
}

func TestBookRefuses(t *testing.T) {
	refused := func(err error) bool { var r *RefusedError; return errors.As(err, &r) }
	is := func(want error) func(error) bool { return func(err error) bool { return errors.Is(err, want) } }
	for _, tt := range []struct {
		name string
		a    Action
		is   func(error) bool
	}{
		{"an alarm nobody knows", act(Acknowledge, "nix", "orla", 0), is(ErrNoAlarm)},
		{"no alarm named", act(Acknowledge, "", "orla", 0), is(ErrNoAlarm)},
		{"answered twice", act(Acknowledge, "acked", "bram", 0), refused},
		{"shelved for too long", act(Shelve, "acked", "orla", 24*60+11), refused},
		{"shelved into the past", act(Shelve, "acked", "orla", 5), is(ErrTime)},
		{"unshelved though not shelved", act(Unshelve, "acked", "orla", 0), refused},
		{"reset while on", act(Reset, "acked", "orla", 0), refused},
		{"out of service for ever", work(OutOfService, "brook", 0), is(ErrTime)},
		{"out of service for too long", work(OutOfService, "brook", 9*24*60), is(ErrTime)},
		{"nothing out of service", Action{Kind: OutOfService, Until: at(60)}, is(ErrTime)},
		{"in service though it is", work(InService, "brook", 0), refused},
		{"an unknown deed", work("dance", "brook", 0), func(err error) bool { return err != nil }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := NewBook(BookOptions{})
			b.Apply(at(0), say(0, "raised acked brook dead high"))
			if _, err := b.Do(at(1), act(Acknowledge, "acked", "orla", 0)); err != nil {
				t.Fatal(err)
			}
			b.Saved()
			before := b.Points()
			_, err := b.Do(at(10), tt.a)
			if err == nil || !tt.is(err) {
				t.Errorf("got error %v of another kind", err)
			}
			if diff := cmp.Diff(before, b.Points()); diff != "" {
				t.Errorf("a refusal changed the book (-before +after):\n%s", diff)
			}
			if s := b.Saved(); len(s) != 0 {
				t.Errorf("a refusal left something to save: %v", s)
			}
		})
	}
}

func TestBookLate(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised x brook growth low"))
	if _, err := b.Do(at(0), act(Shelve, "x", "orla", 60)); err != nil {
		t.Fatal(err)
	}
	// Nothing ran from minute 10 to minute 300: the move is dated when it was made, not when it was due.
	if cs := b.Tick(at(300)); len(cs) != 1 || !cs[0].Time.Equal(at(300)) {
		t.Errorf("got %+v, want one change at minute 300", cs)
	}
}

func TestListed(t *testing.T) {
	b := NewBook(BookOptions{})
	b.Apply(at(0), say(0, "raised a brook growth low"), say(1, "raised b hazel dead high"), say(2, "raised c lane low high"),
		say(3, "raised d lane silent medium"), say(4, "returned d lane silent medium"))
	if _, err := b.Do(at(5), act(Acknowledge, "d", "orla", 0)); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range b.Listed() {
		got = append(got, p.ID)
	}
	if diff := cmp.Diff([]string{"b", "c", "a"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestNaNIsDropped(t *testing.T) {
	b := NewBook(BookOptions{})
	e := say(0, "raised x brook dead high")
	e.DistanceM, e.KV = new(math.NaN()), new(0.1)
	b.Apply(at(0), e)
	p, _ := b.Find("x")
	if p.Finding.DistanceM != nil || p.Finding.KV == nil {
		t.Errorf("got distance %v, kv %v; want none and 0.1", p.Finding.DistanceM, p.Finding.KV)
	}
	if len(b.Saved()) != 1 {
		t.Error("not saved")
	}
}

// TestBookRestartsAnywhere lives one random life twice, once with a restart after every step, and wants the same
// changes; and it checks what must always hold.
func TestBookRestartsAnywhere(t *testing.T) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 1))
		opts := BookOptions{RealarmAfter: 3 * time.Hour, Latching: map[Condition]bool{Low: seed%2 == 0}}
		one, two := NewBook(opts), NewBook(opts)
		var saved []Saved
		for i := range 200 {
			d := randomDo(r, float64(i*7), one)
			got1, err1 := d.to(one)
			got2, err2 := d.to(two)
			if got1 != got2 || (err1 == nil) != (err2 == nil) {
				t.Fatalf("seed %d step %d: %q (%v) and after restarts %q (%v)", seed, i, got1, err1, got2, err2)
			}
			said := two.seenAll
			saved = append(saved, two.Saved()...)
			two = NewBook(opts)
			if err := two.Load(last(saved), said); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(one.Points(), two.Points()); diff != "" {
				t.Fatalf("seed %d step %d (-straight +restarted):\n%s", seed, i, diff)
			}
			checkBook(t, one, at(float64(i*7)))
		}
	}
}

// last keeps the newest piece of each key, as the journal does.
func last(all []Saved) []Saved {
	newest := map[string]int{}
	for i, s := range all {
		newest[s.Kind+s.Key] = i
	}
	var out []Saved
	for i, s := range all {
		if newest[s.Kind+s.Key] == i && s.JSON != nil {
			out = append(out, s)
		}
	}
	return out
}

func randomDo(r *rand.Rand, min float64, b *Book) do {
	zone := []string{"brook", "hazel"}[r.IntN(2)]
	cond := []string{"dead", "low"}[r.IntN(2)]
	id := zone + cond + fmt.Sprint(r.IntN(3))
	p, known := b.points[pointKey(farm.ZoneSource(zone), Condition(cond))]
	switch n := r.IntN(10); {
	case n < 3 && (!known || !p.On()):
		return ev(min, fmt.Sprintf("raised %s-%g %s %s high", zone+cond, min, zone, cond))
	case n < 5 && known && p.On():
		return ev(min, fmt.Sprintf("returned %s %s %s high", p.ID, zone, cond))
	case n < 6:
		return hand(min, work([]ActionKind{OutOfService, InService}[r.IntN(2)], zone, min+float64(r.IntN(200))))
	case n < 9 && known:
		kinds := []ActionKind{Acknowledge, Shelve, Unshelve, Reset}
		return hand(min, act(kinds[r.IntN(4)], p.ID, "orla", min+float64(r.IntN(100))))
	case n < 9:
		return hand(min, act(Acknowledge, id, "orla", 0))
	}
	return tick(min)
}

func checkBook(t *testing.T, b *Book, now time.Time) {
	t.Helper()
	for _, p := range b.Points() {
		if (p.State == StateShelved) == p.ShelvedUntil.IsZero() {
			t.Fatalf("%s is %s with a shelving until %s; shelving must end by itself", p.Key(), p.State, p.ShelvedUntil)
		}
		if p.On() && p.State == StateNormal {
			t.Fatalf("%s is on and yet normal", p.Key())
		}
		if p.State == StateOutOfService && b.holds[p.Source] == nil {
			t.Fatalf("%s is out of service and nothing holds it", p.Key())
		}
	}
	if n := b.Next(); !n.IsZero() && n.After(now.Add(8*24*time.Hour)) {
		t.Fatalf("next is %s, too far off", n)
	}
}

func TestSeenIsBounded(t *testing.T) {
	b := NewBook(BookOptions{})
	for i := range seenLimit + 50 {
		b.Apply(at(float64(i)), say(float64(i), fmt.Sprintf("returned x%d brook dead high", i)))
	}
	if len(b.seen) != seenLimit || len(b.seenAll) != seenLimit {
		t.Errorf("remembers %d and %d events, want %d", len(b.seen), len(b.seenAll), seenLimit)
	}
}

func TestLoadRefusesDamage(t *testing.T) {
	err := NewBook(BookOptions{}).Load([]Saved{{Kind: savedPoint, Key: "zone/brook/dead", JSON: []byte("{")}}, nil)
	if err == nil || !strings.Contains(err.Error(), "zone/brook/dead") {
		t.Errorf("got %v, want an error that names the piece", err)
	}
}
