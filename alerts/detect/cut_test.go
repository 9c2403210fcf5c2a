package detect_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// eventful plays two quiet days and a busy one, and returns every reading that was sent.
func eventful(t testing.TB) (*farm.Farm, []pulse.Reading) {
	f := slowFarm()
	reportEvery(f, 5*time.Minute)
	b := newBench(t, f)
	supply := 12.6
	quiet := farm.Source("")
	var sent []pulse.Reading
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.source == "energizer/cartshed" {
			r.Set(pulse.SupplyVolts, supply+0.02*b.rng.NormFloat64())
			r.Set(pulse.IntervalMS, 1300)
		}
		if d.source == quiet || b.rng.Float64() < 0.02 {
			return false
		}
		sent = append(sent, *r)
		return true
	}
	b.run(30 * time.Hour)
	for _, s := range []step{
		{part("lane", 0.4), 100 * time.Minute},
		{mend("lane"), 90 * time.Minute},
		{short("hazel", 200, 0.6), 2 * time.Hour},
		{mend("hazel"), time.Hour},
		{func(*bench) { quiet = "zone/orchard" }, 3 * time.Hour},
		{func(*bench) { quiet = "" }, time.Hour},
		{func(*bench) { supply = 11.3 }, 2 * time.Hour},
		{power(0), time.Hour},
		{func(b *bench) { power(1)(b); supply = 12.8 }, 2 * time.Hour},
		{func(b *bench) { b.touch("brook", 150, 5*time.Minute, 10*time.Minute) }, 3 * time.Hour},
		{func(b *bench) { b.while = nil; b.wires["cartshed"].mend() }, 10 * time.Hour},
	} {
		s.do(b)
		b.run(s.run)
	}
	mustBeSound(t, f, b.events)
	if n := len(b.alarms()); n < 5 {
		b.show()
		t.Fatalf("only %d alarms: the day shows nothing", n)
	}
	return f, sent
}

// wetNights plays nights of dew, stakes that lose their hold, an insulator that cracks and a bad joint that stands
// beside it, and returns every reading that was sent.
func wetNights(t testing.TB) (*farm.Farm, []pulse.Reading) {
	f := paddocks()
	needing(f, 1500) // what tracks takes none so far
	b := newBench(t, f)
	ohms := 60.0
	b.stakes(&ohms)
	reads := b.alter
	var sent []pulse.Reading
	b.alter = func(d *device, r *pulse.Reading) bool {
		if !reads(d, r) || b.rng.Float64() < 0.02 {
			return false
		}
		sent = append(sent, *r)
		return true
	}
	b.nights(4, nil)
	b.run(4*24*time.Hour + 12*time.Hour)
	b.quiet()
	for _, s := range []step{
		{func(*bench) { ohms = 4000 }, 2 * time.Hour},
		{func(*bench) { ohms = 60 }, 22 * time.Hour},
		{func(b *bench) { b.nights(4, map[string]float64{"hazel": 1.0 / 1000}) }, 48 * time.Hour},
		{func(b *bench) { b.nights(4, nil); joint("orchard", 8000)(b) }, 48 * time.Hour},
		{func(b *bench) { b.nights(4, map[string]float64{"hazel": 1.0 / 400}) }, 24 * time.Hour}, // beside the joint
	} {
		s.do(b)
		b.run(s.run)
	}
	for _, c := range []alerts.Cause{alerts.Short, alerts.Joint, alerts.PoorEarth} {
		if !slices.ContainsFunc(b.alarms(), func(a *told) bool { return a.last().Cause == c }) {
			b.show()
			t.Fatalf("no alarm of cause %s: the nights show too little", c)
		}
	}
	if b.standing("zone/orchard", alerts.Low) == nil && b.standing("zone/orchard", alerts.Dropping) == nil {
		b.show()
		t.Fatal("the alarm of the bad joint does not stand")
	}
	return f, sent
}

// replay gives readings to a fresh watch; between is called before each with its place and may hand back another watch.
func replay(t testing.TB, f *farm.Farm, sent []pulse.Reading, between func(i int, w *detect.Watch) *detect.Watch) []string {
	t.Helper()
	w := newWatch(t, f)
	var events []alerts.Event
	for i, r := range sent {
		w = between(i, w)
		events = append(events, w.Observe(r)...)
	}
	return lines(t, events)
}

// reborn saves w and takes its memory up in a new watch.
func reborn(t testing.TB, f *farm.Farm, w *detect.Watch) *detect.Watch {
	t.Helper()
	memory, err := w.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	next := newWatch(t, f)
	if err := next.UnmarshalBinary(memory); err != nil {
		t.Fatal(err)
	}
	again, err := next.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(memory, again) {
		t.Fatal("a memory taken up and saved again is another one")
	}
	return next
}

// A watch that is saved and taken up before every message of a busy day, or every few of wet nights, says what one that
// never stopped says; so does one that is interrupted at random.
func TestSavedAtEveryMessage(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		play func(testing.TB) (*farm.Farm, []pulse.Reading)
		busy int // messages from the end on
		each int // of them
	}{
		{"a busy day", eventful, 28 * 60, 1},     // from the evening before on: five sensors, twelve times an hour, 28 hours
		{"wet nights", wetNights, 144 * 300, 11}, // from the stakes on: five sensors each minute, 144 hours; a look is each half hour
	} {
		t.Run(tt.name, func(t *testing.T) {
			f, sent := tt.play(t)
			whole := replay(t, f, sent, func(_ int, w *detect.Watch) *detect.Watch { return w })
			every := replay(t, f, sent, func(i int, w *detect.Watch) *detect.Watch {
				if i >= len(sent)-tt.busy && i%tt.each == 0 && !testing.Short() || i%97 == 0 {
					return reborn(t, f, w)
				}
				return w
			})
			if diff := cmp.Diff(whole, every); diff != "" {
				t.Errorf("saved at every message (-whole +saved):\n%s", diff)
			}
			rng := rand.New(rand.NewPCG(21, 22))
			random := replay(t, f, sent, func(_ int, w *detect.Watch) *detect.Watch {
				if rng.IntN(40) == 0 {
					return reborn(t, f, w)
				}
				return w
			})
			if diff := cmp.Diff(whole, random); diff != "" {
				t.Errorf("saved at random (-whole +saved):\n%s", diff)
			}
		})
	}
}

// Readings that come again, each at once or all in one burst, change nothing of what is said.
func TestReadingsComeAgain(t *testing.T) {
	f, sent := eventful(t)
	whole := replay(t, f, sent, func(_ int, w *detect.Watch) *detect.Watch { return w })
	twice := replay(t, f, sent, func(i int, w *detect.Watch) *detect.Watch {
		if i > 0 {
			if got := w.Observe(sent[i-1]); len(got) > 0 {
				t.Errorf("message %d again: %s", i-1, got[0].Text)
			}
		}
		return w
	})
	if diff := cmp.Diff(whole, twice); diff != "" {
		t.Errorf("every message twice (-once +twice):\n%s", diff)
	}
	burst := replay(t, f, sent, func(i int, w *detect.Watch) *detect.Watch {
		if i == len(sent)/2 || i == len(sent)*2/3 { // a broker gives the last hours again
			for _, r := range sent[i-200 : i] {
				r.Arrived = sent[i-1].Arrived
				if got := w.Observe(r); len(got) > 0 {
					t.Errorf("old news: %s", got[0].Text)
				}
			}
		}
		return w
	})
	if diff := cmp.Diff(whole, burst); diff != "" {
		t.Errorf("hours given again in a burst (-once +again):\n%s", diff)
	}
}

// foreign are memories that must not be taken up.
var foreign = []struct {
	name   string
	change func(memory string) string // of what is saved, whose checksum is then made right
	layout bool                       // told as another layout's, which a caller answers by reading the readings again
}{
	{"a later version", func(m string) string { return strings.Replace(m, `"Version":3`, `"Version":4`, 1) }, true},
	{"an earlier version", func(m string) string { return strings.Replace(m, `"Version":3`, `"Version":2`, 1) }, true},
	{"no version", func(m string) string { return strings.Replace(m, `"Version":3,`, ``, 1) }, true},
	{"another farm", func(m string) string { return strings.Replace(m, `"Farm":"alder-bank"`, `"Farm":"elsewhere"`, 1) }, true},
	{"a longer zone", func(m string) string { return strings.Replace(m, "180 m", "190 m", 1) }, true},
	{"another energizer", func(m string) string { return strings.Replace(m, `"Fences":{"cartshed"`, `"Fences":{"barn"`, 1) }, true},
	{"an empty object", func(string) string { return "{}" }, true},
}

// broken are memories that are none.
var broken = []struct {
	name   string
	change func(memory string) string
}{
	{"cut short", func(m string) string { return m[:len(m)/2] }},
	{"nothing", func(string) string { return "" }},
	{"not ours", func(string) string { return "PK\x03\x04" }},
	{"an empty object", func(string) string { return "{}" }},
	{"another digit", func(m string) string { return strings.Replace(m, `"Heard":true`, `"Heard":null`, 1) }},
	{"another checksum", func(m string) string { return strings.Replace(m, `"Sum":`, `"Sum":1`, 1) }},
}

// changed returns a memory with a change in what is saved, and the checksum of that.
func changed(t *testing.T, memory string, change func(string) string) string {
	t.Helper()
	var m struct {
		Sum   uint32
		Saved json.RawMessage
	}
	if err := json.Unmarshal([]byte(memory), &m); err != nil {
		t.Fatal(err)
	}
	m.Saved = []byte(change(string(m.Saved)))
	m.Sum = crc32.ChecksumIEEE(m.Saved)
	text, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// A memory of another version or layout is refused, and the watch stays as it was.
func TestForeignMemories(t *testing.T) {
	f := paddocks()
	b := newBench(t, f)
	b.run(3 * time.Hour)
	memory, err := b.watch.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	refused := func(t *testing.T, other string, layout bool) {
		t.Helper()
		if other == string(memory) {
			t.Fatal("nothing was changed")
		}
		w := newWatch(t, f)
		before, err := w.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		err = w.UnmarshalBinary([]byte(other))
		if err == nil || errors.Is(err, detect.ErrOtherLayout) != layout {
			t.Errorf("error %v; want one, of another layout: %t", err, layout)
		}
		if after, err := w.MarshalBinary(); err != nil || !bytes.Equal(before, after) {
			t.Errorf("the watch is not as it was: %v", err)
		}
	}
	for _, tt := range foreign {
		t.Run(tt.name, func(t *testing.T) { refused(t, changed(t, string(memory), tt.change), tt.layout) })
	}
	for _, tt := range broken {
		t.Run(tt.name, func(t *testing.T) { refused(t, tt.change(string(memory)), false) })
	}
}

// The memory stays of one size however long the season.
func TestMemoryIsBounded(t *testing.T) {
	b := newBench(t, slowFarm())
	b.while = func(now time.Time) { // something for every day book
		d := now.Sub(start).Hours() / 24
		b.zone("lane").leak = 1e-4 * (1 + d - 20*float64(int(d/20)))
	}
	var sizes []int
	for range 4 {
		b.run(45 * 24 * time.Hour)
		memory, err := b.watch.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, len(memory))
	}
	t.Logf("bytes after 45, 90, 135 and 180 days: %v", sizes)
	if last := sizes[3]; last > 120_000 || float64(last) > 1.15*float64(sizes[0]) {
		t.Errorf("%d bytes after 180 days, want no more than after 45", last)
	}
	b.alarms()
}
