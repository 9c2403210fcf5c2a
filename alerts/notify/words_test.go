package notify

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

var update = flag.Bool("update", false, "write the messages in testdata anew; read them aloud before committing")

// trouble is a finding with what matters to the words.
func trouble(source farm.Source, c alerts.Condition, cause alerts.Cause, pr alerts.Priority) alerts.Finding {
	return alerts.Finding{Source: source, Condition: c, Cause: cause, Priority: pr, Text: "The detector's own sentence."}
}

func call(raised time.Time, f alerts.Finding) *Call {
	return &Call{Event: alerts.Event{ID: "id", Time: raised, Kind: alerts.Raised, Finding: f}, Raised: raised}
}

// told notes that names have heard of c.
func told(c *Call, names ...string) *Call {
	c.Told, c.Said = names, &c.Event.Finding
	return c
}

// answered notes that somebody has c.
func answered(c *Call, by string) *Call {
	c.Answered = by
	return c
}

func lines(subject, body string) [2]string { return [2]string{subject, body} }

// guardLetters are of stock behind fences that are off, where somebody works.
func guardLetters(put func(name, now string, kind alerts.MessageKind, calls ...*Call), hold *alerts.Hold, zone, energizer *Call) {
	zone.Hold = hold
	put("stock-behind-a-fence-that-is-off", "21 13:30", alerts.TellRaised, zone)
	put("stock-behind-still-no-answer", "21 14:10", alerts.TellRepeat, zone)
	energizer.Hold = &alerts.Hold{Source: "energizer/cartshed", From: hold.From, Until: hold.Until}
	put("stock-behind-an-energizer-that-is-off", "21 13:30", alerts.TellRaised, energizer)
}

// letters returns every message text that is kept in testdata, by name.
func letters(t *testing.T) map[string][2]string {
	at := func(s string) time.Time { return clock(t, s) }
	w := words{cfg: testConfig(t)}
	out := map[string][2]string{}
	put := func(name, now string, kind alerts.MessageKind, calls ...*Call) {
		out[name] = lines(w.at(at(now)).message(kind, calls))
	}

	dead := trouble("zone/brook", alerts.Dead, alerts.Open, alerts.High)
	dead.KV, dead.Zones, dead.Evidence = new(0.1), []string{"hazel", "lane"}, []string{"hazel and lane fell to 0.1 kV", "cartshed rose 4 %"}
	short := trouble("zone/lane", alerts.Low, alerts.Short, alerts.High)
	short.KV, short.DistanceM, short.DistanceLowM, short.DistanceHighM = new(1.8), new(240.0), new(200.0), new(270.0)
	energizer := trouble("energizer/cartshed", alerts.Off, alerts.EnergizerOff, alerts.High)
	energizer.Zones = []string{"brook", "hazel", "lane"}
	link := trouble(farm.Site, alerts.Silent, alerts.LinkLost, alerts.High)
	silent := trouble("zone/hazel", alerts.Silent, alerts.SensorSilent, alerts.Medium)
	unknown := trouble("zone/hazel", alerts.Dead, alerts.Unknown, alerts.High)
	growth := trouble("zone/lane", alerts.Growth, alerts.Vegetation, alerts.LowPriority)
	growth.KV, growth.BelowMinimumOn = new(4.1), new(at("24 12:00"))
	joint := trouble("zone/hazel", alerts.Dropping, alerts.Joint, alerts.Medium)
	joint.KV = new(4.4)
	earth := trouble("energizer/mill", alerts.Earth, alerts.PoorEarth, alerts.LowPriority)

	taken := answered(told(call(at("21 02:10"), dead), "Orla", "Bram"), "Bram")
	over := told(call(at("21 02:10"), dead), "Orla")
	over.Over, over.Back, over.Answered = at("21 03:05"), new(6.1), "Orla"
	alone := told(call(at("20 23:40"), short), "Orla")
	alone.Over, alone.Back = at("21 03:05"), new(5.2)
	gone := call(at("21 04:10"), silent)
	gone.Over = at("21 04:50")
	put("raised-open", "21 02:10", alerts.TellRaised, call(at("21 02:10"), dead))
	put("raised-short", "21 02:11", alerts.TellRaised, call(at("21 02:10"), short))
	put("raised-energizer-off", "21 23:58", alerts.TellRaised, call(at("21 23:57"), energizer))
	put("raised-link-lost", "21 02:10", alerts.TellRaised, call(at("20 23:59"), link))
	put("raised-cause-unknown", "21 02:10", alerts.TellRaised, call(at("21 02:10"), unknown))
	put("morning-sensor-silent", "21 07:00", alerts.TellRaised, call(at("21 02:10"), silent))
	put("morning-bad-joint", "21 07:00", alerts.TellRaised, call(at("20 19:10"), joint))
	put("repeat", "21 02:20", alerts.TellRepeat, told(call(at("21 02:10"), dead), "Orla"))
	put("escalated", "21 02:25", alerts.TellEscalated, told(call(at("21 02:10"), dead), "Orla"))
	put("updated", "21 02:14", alerts.TellUpdated, told(call(at("21 02:10"), short), "Orla"))
	put("taken", "21 02:17", alerts.TellTaken, taken)
	put("returned-mended", "21 03:05", alerts.TellReturned, over)
	put("returned-by-itself", "21 03:05", alerts.TellReturned, alone)
	put("several-raised", "21 02:10", alerts.TellRaised, call(at("21 02:10"), dead), call(at("21 02:09"), short), call(at("21 02:10"), silent))
	both := answered(told(call(at("21 02:10"), short), "Orla", "Bram"), "Bram")
	put("several-taken", "21 02:17", alerts.TellTaken, taken, both)
	put("several-returned", "21 03:06", alerts.TellReturned, over, alone)
	out["round"] = lines(w.at(at("21 19:00")).round([]*Call{call(at("21 06:00"), growth), call(at("21 06:00"), earth), gone},
		[]*Call{told(call(at("20 19:10"), joint), "Orla")}))
	hold := alerts.Hold{Source: "zone/brook", From: at("21 10:00"), Until: at("21 14:00"), By: "Orla"}
	guardLetters(put, &hold, told(call(at("21 11:05"), dead), "Orla"), call(at("21 11:05"), energizer))
	out["reminder"] = lines(w.at(at("21 13:30")).reminder(hold, alerts.Point{Source: "zone/brook"}))
	out["reminder-fence-off"] = lines(w.at(at("21 13:30")).reminder(hold, alerts.Point{Source: "zone/brook", Open: []string{"x"}, Finding: dead}))
	out["test"] = lines(w.at(at("21 18:30")).test(Test{ID: "test-1", AnswerBy: at("21 22:30")}))
	for _, c := range []alerts.Condition{alerts.Test, alerts.Channel, alerts.Queue, alerts.Storage, alerts.Clock} {
		put("watch-"+string(c), "21 14:05", alerts.TellRaised, call(at("21 14:00"), ofWatch(c)))
	}
	return out
}

// ofWatch is something that the watch says of itself.
func ofWatch(c alerts.Condition) alerts.Finding {
	return alerts.Finding{Source: farm.Site, Condition: c, Cause: alerts.Unknown, Priority: alerts.Medium, Text: "The watch says this of itself."}
}

func TestLetters(t *testing.T) {
	for name, l := range letters(t) {
		t.Run(name, func(t *testing.T) {
			got := l[0] + "\n\n" + l[1]
			path := filepath.Join("testdata", "letters", name+".txt")
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			checkLetter(t, l[0], l[1])
		})
	}
}

// checkLetter holds every message to what a lock screen and a sleepy reader need.
func checkLetter(t *testing.T, subject, body string) {
	t.Helper()
	if n := utf8.RuneCountInString(subject); n > alerts.LockScreen || n < 30 {
		t.Errorf("the subject has %d characters, want 30 to %d: %s", n, alerts.LockScreen, subject)
	}
	if strings.ContainsAny(subject, "\r\n") {
		t.Errorf("the subject has a line break: %q", subject)
	}
	for _, bad := range []string{"%!", "  ", "..", ",.", " ,", "<nil>", "of 0.0"} {
		if strings.Contains(subject+body, bad) {
			t.Errorf("%q in\n%s\n%s", bad, subject, body)
		}
	}
}

func TestLettersSayWhatIsNeeded(t *testing.T) {
	all := letters(t)
	for _, tt := range []struct {
		name    string
		subject []string // in this order
	}{
		{"raised-open", []string{"Brook", "dead", "since 02:10", "Look for a break"}},
		{"raised-short", []string{"Lane", "low", "1.8 kV", "the old oak", "since 02:10", "Look for wire"}},
		{"raised-energizer-off", []string{"Energizer cartshed", "off", "since 23:57", "battery"}},
		{"raised-link-lost", []string{"No sensor is heard", "since Mon 23:59", "router"}},
		{"escalated", []string{"Orla has not answered", "brook", "since 02:10"}},
		{"taken", []string{"Bram has it", "brook", "Nothing for you to do"}},
		{"returned-mended", []string{"Brook", "back", "6.1 kV", "55 min", "03:05"}},
		{"round", []string{"Evening round", "lane", "Fri 24 April", "Trim", "And 2 more"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rest := all[tt.name][0]
			for _, part := range tt.subject {
				_, after, ok := strings.Cut(rest, part)
				if !ok {
					t.Fatalf("%q is missing, or out of order, in %q", part, all[tt.name][0])
				}
				rest = after
			}
			if strings.HasPrefix(tt.name, "raised") && !strings.Contains(all[tt.name][1], strings.TrimSpace(caution)) {
				t.Error("the caution is missing")
			}
		})
	}
}

// TestEveryCauseHasAnAct wants words for every condition and cause there is, and a lock screen's length whatever the
// names are.
func TestEveryCauseHasAnAct(t *testing.T) {
	cfg := testConfig(t)
	long := strings.Repeat("very-", 12) + "long-name"
	cfg.Farm.Zones = append(cfg.Farm.Zones, farm.Zone{Name: long, FedBy: long, LengthM: 9999, Marks: []farm.Mark{{AtM: 5, Name: long}}})
	w := words{cfg: cfg, now: clock(t, "21 02:10")}
	conditions := []alerts.Condition{alerts.Dead, alerts.Low, alerts.Dropping, alerts.Growth, alerts.Intermittent, alerts.Silent,
		alerts.Off, alerts.Weak, alerts.Earth, alerts.FaultySensor, alerts.BadJoint, "something-new"}
	causes := []alerts.Cause{alerts.Short, alerts.Open, alerts.Joint, alerts.Vegetation, alerts.EnergizerOff, alerts.EnergizerWeak,
		alerts.SupplyLow, alerts.PoorEarth, alerts.CauseIntermittent, alerts.SensorSilent, alerts.CauseSensorFaulty, alerts.LinkLost, alerts.Unknown, "new"}
	for _, source := range []farm.Source{"zone/brook", farm.ZoneSource(long), "zone/gone", "energizer/mill", "energizer/gone", farm.Site, "odd"} {
		for _, c := range conditions {
			for _, cause := range causes {
				f := trouble(source, c, cause, alerts.High)
				f.DistanceM, f.KV = new(12.0), new(1.0)
				a := w.advice(f)
				if a.short == "" || len(a.long) == 0 {
					t.Errorf("%s %s %s: nothing to do first", source, c, cause)
				}
				for _, kind := range []alerts.MessageKind{alerts.TellRaised, alerts.TellRepeat, alerts.TellEscalated, alerts.TellTaken, alerts.TellReturned} {
					cl := call(clock(t, "20 02:10"), f)
					cl.Told, cl.Over, cl.Answered = []string{"Orla", long}, clock(t, "21 02:10"), "-"
					s, b := w.message(kind, []*Call{cl})
					checkLetter(t, s, b)
					s, b = w.message(kind, []*Call{cl, cl, cl, cl})
					checkLetter(t, s, b)
				}
			}
		}
	}
}

func TestLongRoundIsCut(t *testing.T) {
	w := words{cfg: testConfig(t), now: clock(t, "21 19:00")}
	var news []*Call
	for range 50 {
		c := call(clock(t, "21 04:10"), trouble("zone/hazel", alerts.Intermittent, alerts.CauseIntermittent, alerts.Medium))
		c.Over = clock(t, "21 04:15")
		news = append(news, c)
	}
	s, b := w.round(news, nil)
	checkLetter(t, s, b)
	if n := strings.Count(b, "Hazel"); n != 20 || !strings.Contains(b, "and 30 more") || !strings.Contains(s, "50 alarms came and went") {
		t.Errorf("%d lines in\n%s\n\n%s", n, s, b)
	}
}

func TestClock(t *testing.T) {
	w := words{cfg: testConfig(t), now: clock(t, "21 02:10")}
	for _, tt := range []struct{ name, at, want string }{
		{"today", "21 00:05", "00:05"},
		{"yesterday", "20 23:59", "Mon 23:59"},
		{"long ago", "02 23:59", "2 Apr 23:59"},
		{"to come", "22 14:00", "Wed 14:00"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := w.clock(clock(t, tt.at)); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}
