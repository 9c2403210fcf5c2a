package letter

import (
	"bytes"
	"encoding/json"
	"flag"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

var update = flag.Bool("update", false, "write the letters in testdata anew; read them aloud before committing")

func dublin(t testing.TB) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// clock reads "21 19:00" as that day and time of April 2026 in Dublin.
func clock(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.ParseInLocation("2006-01 2 15:04", "2026-04 "+s, dublin(t))
	if err != nil {
		t.Fatal(err)
	}
	return at.UTC()
}

// hotFarm is alder-bank on a Tuesday evening with nothing wrong.
func hotFarm(t testing.TB) Farm {
	now := clock(t, "21 19:00")
	heard := clock(t, "21 18:59")
	return Farm{Name: "alder-bank", Location: dublin(t), At: now, Zones: []Zone{
		{Name: "brook", KV: 6.1, MinimumKV: 2.5, LowMinimumKV: 2.5, HeardAt: heard, LowKV: 5.2, LowAt: clock(t, "21 05:10"), LevelKV: 6.0, WasKV: 6.1},
		{Name: "hazel", KV: 5.4, MinimumKV: 2.5, LowMinimumKV: 2.5, HeardAt: heard, LowKV: 4.6, LowAt: clock(t, "21 05:10"), LevelKV: 5.3, WasKV: 5.3},
		{Name: "lane", KV: 4.2, MinimumKV: 3, LowMinimumKV: 3, HeardAt: heard, LowKV: 3.4, LowAt: clock(t, "21 05:20"), LevelKV: 4.2, WasKV: 4.8},
	}}
}

// weatherLetters are evening rounds with a word on the weather: it stands behind what is wrong and before upkeep, the
// most urgent first, each whole or not at all.
func weatherLetters(out map[string]Letter, with func(func(*Farm)) Farm, growing, dead func(*Farm)) {
	snow := Hint{"Snow lies: look at the stock, lift the lowest strand.", "Snow lies, 12 cm at 18:00. Look at the stock; lift the lowest strand."}
	frost := Hint{"Frost: strain nothing, plastic is brittle; the shock is weaker.", "Frost, down to −3.5 °C about 07:00. Strain nothing while it freezes."}
	dry := Hint{"Dry ground: test the earth, water the stakes.", "Dry for 20 days. Do the earth test now, at the driest time; water the stakes."}
	out["evening-dry"] = Evening(with(func(f *Farm) {
		growing(f)
		f.Hints = []Hint{dry}
	}))
	out["evening-snow-and-frost"] = Evening(with(func(f *Farm) { f.Hints = []Hint{snow, frost} }))
	out["evening-snow-and-dead"] = Evening(with(func(f *Farm) {
		dead(f)
		f.Hints = []Hint{snow}
	}))
	out["evening-frost-and-upkeep"] = Evening(with(func(f *Farm) {
		f.Hints = []Hint{frost}
		f.Reminder = "count the spares: insulators, joiners, wire, posts, a stake; last done 14 April 2026."
		f.Upkeep = []string{f.Reminder}
	}))
}

func letters(t *testing.T) map[string]Letter {
	at := func(s string) time.Time { return clock(t, s) }
	with := func(change func(*Farm)) Farm {
		f := hotFarm(t)
		change(&f)
		return f
	}
	growing := func(f *Farm) { f.Zones[2].TrimBy = at("24 12:00") }
	dead := func(f *Farm) {
		f.Zones[0].KV = 0.1
		f.Open = []Matter{{What: "brook is dead, 0.1 kV", Where: ", near the lower gate", Since: at("21 14:10"), First: "Look for a break or an open gate.", Urgent: true}}
	}
	out := map[string]Letter{
		"evening-hot":     Evening(hotFarm(t)),
		"evening-growing": Evening(with(growing)),
		"evening-upkeep": Evening(with(func(f *Farm) {
			growing(f)
			f.Reminder = "walk the line; last done 14 April."
			f.Upkeep = []string{f.Reminder, "count the spares; not done since this watch began."}
		})),
		"evening-dead":    Evening(with(dead)),
		"evening-unheard": Evening(with(func(f *Farm) { f.Zones[1].Late, f.Zones[1].HeardAt = true, at("21 14:10") })),
		"evening-never-heard": Evening(with(func(f *Farm) {
			f.Zones[1].Late, f.Zones[1].HeardAt, f.Zones[1].KV = true, time.Time{}, 0
		})),
		"evening-low-without-alarm": Evening(with(func(f *Farm) { f.Zones[2].KV = 2.8 })),
		"evening-no-sensor":         Evening(with(func(f *Farm) { f.Zones[1].NoSensor = true })),
		"evening-moving":            Evening(with(func(f *Farm) { f.Zones[2].OutUntil, f.Zones[2].KV = at("21 21:00"), 0 })),
		"evening-nothing-in-service": Evening(with(func(f *Farm) {
			for i := range f.Zones {
				f.Zones[i].OutUntil = at("21 21:00")
			}
		})),
		"evening-blind": Evening(with(func(f *Farm) { f.Blind = "no broker since 14:10" })),
	}
	weatherLetters(out, with, growing, dead)
	night := Night{From: at("20 19:00")}
	told := Night{From: at("20 19:00"), Told: []string{"brook was dead from 02:10 to 03:05 (short), Orla had it."}}
	morning := func(name string, f Farm, n Night) {
		f.At = at("21 07:00")
		for i := range f.Zones {
			f.Zones[i].HeardAt = at("21 06:59")
		}
		if l, ok := Morning(f, n); ok {
			out[name] = l
		}
	}
	morning("morning-quiet-is-not-sent", hotFarm(t), night)
	morning("morning-mended", hotFarm(t), told)
	morning("morning-still-dead", with(dead), told)
	week := Week{From: at("14 19:00"), Done: []string{"Orla trimmed brook on 16 April."},
		Trips: []Trip{{Zone: "lane", At: []time.Time{at("15 04:00"), at("17 05:00"), at("20 03:00")}, Cause: "vegetation", After: "rain"},
			{Zone: "brook", At: []time.Time{at("16 12:00")}, Cause: "short"}}}
	out["weekly"] = Weekly(with(growing), week)
	out["weekly-quiet"] = Weekly(hotFarm(t), Week{From: at("14 19:00")})
	return out
}

// TestLetters holds every letter against what was read aloud, and against the rules for all.
func TestLetters(t *testing.T) {
	all := letters(t)
	if len(all) != 19 {
		t.Errorf("%d letters, want 19: the quiet night is not told", len(all))
	}
	for name, l := range all {
		t.Run(name, func(t *testing.T) {
			if n := utf8.RuneCountInString(l.Subject); n > alerts.LockScreen || strings.Contains(l.Subject, "\n") {
				t.Errorf("subject of %d characters does not fit a lock screen: %q", n, l.Subject)
			}
			file := filepath.Join("testdata", name+".txt")
			got := l.Subject + "\n\n" + l.Body
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestCountTrips joins what one zone did, with its most frequent cause and all its times.
func TestCountTrips(t *testing.T) {
	trip := func(zone, cause, at string) Trip {
		return Trip{Zone: zone, Cause: cause, At: []time.Time{clock(t, at)}}
	}
	got := CountTrips([]Trip{trip("brook", "short", "2 10:00"), trip("lane", "unknown", "2 11:00"), trip("lane", "bad-joint", "3 10:00"),
		trip("lane", "bad-joint", "4 10:00"), trip("lane", "short", "5 10:00")})
	want := []string{"lane alarmed 4 times, mostly bad joint", "brook alarmed once, mostly short"}
	var said []string
	for _, g := range got {
		said = append(said, g.String())
	}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if len(got[0].At) != 4 || !got[0].At[3].Equal(clock(t, "5 10:00")) {
		t.Errorf("lane tripped at %v", got[0].At)
	}
}

// TestAllHotIsEarned tries every way in which one zone may be other than heard and hot.
func TestAllHotIsEarned(t *testing.T) {
	spoil := map[string]func(*Farm, *Zone){
		"low":       func(_ *Farm, z *Zone) { z.KV = z.MinimumKV - 0.01 },
		"late":      func(_ *Farm, z *Zone) { z.Late = true },
		"no number": func(_ *Farm, z *Zone) { z.KV, z.Late = math.NaN(), true },
		"blind":     func(f *Farm, _ *Zone) { f.Blind = "nothing can be stored" },
		"alarm":     func(f *Farm, z *Zone) { f.Open = []Matter{{What: z.Name + " is dead", Since: f.At, First: "Go."}} },
	}
	for name, how := range spoil {
		for i := range 3 {
			f := hotFarm(t)
			how(&f, &f.Zones[i])
			l := Evening(f)
			if strings.Contains(strings.ToLower(l.Subject+l.Body), "all hot") {
				t.Errorf("%s, zone %d: says all hot: %s", name, i, l.Subject)
			}
		}
	}
	if l := Evening(hotFarm(t)); !strings.HasPrefix(l.Subject, "All hot") {
		t.Errorf("a hot farm is told as %q", l.Subject)
	}
}

func TestPicture(t *testing.T) {
	from := clock(t, "1 00:00")
	s := Season{Farm: "alder-bank", From: from, To: from.AddDate(0, 0, 90), Location: dublin(t)}
	if p, err := s.Picture(); p != nil || err != nil {
		t.Errorf("a season of nothing gave %v, %v", p, err)
	}
	for k, name := range []string{"brook", "hazel", "lane"} {
		c := Course{Name: name, Minimums: []Level{{from, 2.5}, {from.AddDate(0, 0, 45), 4}}, Trims: []time.Time{from.AddDate(0, 0, 40)}}
		for d := range 90 {
			if d >= 60 && d < 65 {
				continue // a gap
			}
			kv := 6.5 - float64(k)*0.7 - 3*float64(d%40)/40
			c.Days = append(c.Days, Level{from.AddDate(0, 0, d), kv})
		}
		s.Zones = append(s.Zones, c)
	}
	p, err := s.Picture()
	if err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("NIGHTWIRE_SHOTS"); dir != "" {
		os.WriteFile(filepath.Join(dir, "season.png"), p.Data, 0o644)
	}
	img, err := png.Decode(bytes.NewReader(p.Data))
	if err != nil {
		t.Fatal(err)
	}
	// The lines are where the days are, and not in the gap.
	blue := func(day int) (n int) {
		x := plotLeft + (plotRight-plotLeft)*day/90
		for y := titleHeight; y < titleHeight+panelHeight; y++ {
			if r, g, b, _ := img.At(x, y).RGBA(); b > r+0x3000 && b > g {
				n++
			}
		}
		return n
	}
	if blue(20) == 0 || blue(50) == 0 || blue(62) != 0 {
		t.Errorf("blue on day 20, 50, 62: %d, %d, %d; want some, some, none", blue(20), blue(50), blue(62))
	}
	// The minimum is drawn where it was: at 2.5 kV in the first half, at 4 kV in the second. The scale goes to 7.15 kV.
	red := func(day int, kv float64) (n int) {
		x, y := plotLeft+(plotRight-plotLeft)*day/90, titleHeight+panelHeight-26-int((panelHeight-26-panelHead)*kv/7.15)
		for dx := range 24 { // the line is dashed
			for dy := -2; dy <= 2; dy++ {
				if r, g, _, _ := img.At(x+dx, y+dy).RGBA(); r > g+0x3000 {
					n++
				}
			}
		}
		return n
	}
	if red(10, 2.5) == 0 || red(10, 4) != 0 || red(70, 2.5) != 0 || red(70, 4) == 0 {
		t.Errorf("red at 2.5 and 4 kV on day 10: %d, %d; on day 70: %d, %d; want the minimum of the day alone", red(10, 2.5), red(10, 4), red(70, 2.5), red(70, 4))
	}
	if len(p.Data) > 100_000 {
		t.Errorf("the picture has %d bytes; a phone on a bad link must load it", len(p.Data))
	}
}

// diary runs a diary minute by minute and tells what fell due.
func run(t *testing.T, times Times, from, to time.Time, restartEvery int) []string {
	t.Helper()
	var kept []alerts.Saved
	d, err := NewDiary(times, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for i, now := 0, from; now.Before(to); i, now = i+1, now.Add(time.Minute) {
		for _, due := range d.Tick(now) {
			out = append(out, string(due.Kind)+" "+due.Planned.In(times.Location).Format("Mon 2 15:04"))
		}
		if s := d.Saved(); s != nil {
			kept = s
		}
		if restartEvery > 0 && i%restartEvery == 0 {
			if d, err = NewDiary(times, kept); err != nil {
				t.Fatal(err)
			}
		}
	}
	return out
}

func TestEachLetterGoesOutOnce(t *testing.T) {
	loc := dublin(t)
	times := Times{Evening: 19 * 60, Morning: 7 * 60, Weekly: 18 * 60, Weekday: time.Sunday, Location: loc}
	spring := time.Date(2026, 3, 28, 12, 0, 0, 0, loc) // the clock goes forward on the 29th at 1:00
	autumn := time.Date(2026, 10, 24, 12, 0, 0, 0, loc)
	want := []string{"round Sat 28 19:00", "morning Sun 29 07:00", "weekly Sun 29 18:00", "round Sun 29 19:00", "morning Mon 30 07:00"}
	for _, restart := range []int{0, 1, 7} {
		if diff := cmp.Diff(want, run(t, times, spring, spring.AddDate(0, 0, 2), restart)); diff != "" {
			t.Errorf("spring, restart every %d min (-want +got):\n%s", restart, diff)
		}
	}
	// A time that the clock shows twice, or never.
	times = Times{Evening: 1*60 + 30, Morning: Never, Weekly: Never, Location: loc}
	if diff := cmp.Diff([]string{"round Sun 25 01:30", "round Mon 26 01:30"}, run(t, times, autumn, autumn.AddDate(0, 0, 2), 1)); diff != "" {
		t.Errorf("autumn (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"round Sun 29 02:30", "round Mon 30 01:30"}, run(t, times, spring, spring.AddDate(0, 0, 2), 1)); diff != "" {
		t.Errorf("spring, an hour that is not (-want +got):\n%s", diff)
	}
}

func TestClockLeaps(t *testing.T) {
	at := func(s string) time.Time { return clock(t, s) }
	times := Times{Evening: 19 * 60, Morning: Never, Weekly: Never, Location: dublin(t)}
	d, err := NewDiary(times, nil)
	if err != nil {
		t.Fatal(err)
	}
	planned := map[time.Time]int{}
	for _, now := range []string{"20 12:00", "20 19:00", "20 19:01", "20 18:50", "20 19:00", "21 19:02", "29 12:00", "29 19:00", "21 12:00", "21 19:00", "22 23:30", "23 19:00"} {
		for _, due := range d.Tick(at(now)) {
			planned[due.Planned]++
		}
	}
	// What was sent on the 29th and again when the clock was put right is of another evening each; the journal knows an
	// evening by its own moment and sends it once.
	want := map[time.Time]int{at("20 19:00"): 1, at("21 19:00"): 2, at("29 19:00"): 1, at("23 19:00"): 1}
	if diff := cmp.Diff(want, planned); diff != "" {
		t.Errorf("evenings (-want +got):\n%s", diff)
	}
}

func TestLettersOffForgetTheirTime(t *testing.T) {
	loc := dublin(t)
	d, err := NewDiary(Times{Evening: 19 * 60, Morning: Never, Weekly: Never, Location: loc}, nil)
	if err != nil {
		t.Fatal(err)
	}
	d.Tick(clock(t, "20 12:00"))
	kept := d.Saved()
	if d, err = NewDiary(Times{Evening: Never, Morning: Never, Weekly: Never, Location: loc}, kept); err != nil {
		t.Fatal(err)
	}
	if due := d.Tick(clock(t, "20 19:00")); len(due) != 0 {
		t.Errorf("switched off, and %v is due", due)
	}
	var left map[string]time.Time
	if s := d.Saved(); len(s) != 1 || json.Unmarshal(s[0].JSON, &left) != nil || len(left) != 0 {
		t.Errorf("kept %v, want nothing", s)
	}
	if _, err := NewDiary(Times{}, []alerts.Saved{{Kind: savedKind, Key: savedKey, JSON: []byte("[")}}); err == nil {
		t.Error("took a broken record")
	}
}
