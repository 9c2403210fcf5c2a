package upkeep

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

const day = 24 * time.Hour

func on(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

func did(at string, t Task) alerts.Action {
	return alerts.Action{Time: on(at), Kind: alerts.Done, Task: string(t), By: "Orla"}
}

func TestDueDates(t *testing.T) {
	for _, tt := range []struct {
		name  string
		task  Task
		every time.Duration
		since string
		done  []string
		want  string
	}{
		{"never done, counted from the beginning", Walk, 7 * day, "2026-04-01 10:00", nil, "2026-04-08"},
		{"from the last time", Walk, 7 * day, "2026-04-01 10:00", []string{"2026-04-09 18:00"}, "2026-04-16"},
		{"from the last, whatever the order of telling", Walk, 7 * day, "2026-04-01 10:00", []string{"2026-04-09 18:00", "2026-04-05 18:00"}, "2026-04-16"},
		{"earth: never, before the dry time", EarthTest, 365 * day, "2026-04-01 10:00", nil, "2026-07-01"},
		{"earth: never, in the dry time", EarthTest, 365 * day, "2026-08-20 10:00", nil, "2026-08-20"},
		{"earth: never, after it", EarthTest, 365 * day, "2026-10-02 10:00", nil, "2027-07-01"},
		{"earth: tested in the dry time", EarthTest, 365 * day, "2026-04-01 10:00", []string{"2026-08-20 10:00"}, "2027-07-01"},
		{"earth: tested in spring, which says little", EarthTest, 365 * day, "2026-04-01 10:00", []string{"2026-05-01 10:00"}, "2026-07-01"},
		{"earth: tested in winter", EarthTest, 365 * day, "2025-04-01 10:00", []string{"2025-12-01 10:00"}, "2026-07-01"},
		{"earth: every other year", EarthTest, 730 * day, "2026-04-01 10:00", []string{"2026-07-10 10:00"}, "2028-07-01"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := Plan{Every: map[Task]time.Duration{tt.task: tt.every}, DriestFrom: time.July, Since: on(tt.since)}
			var acts []alerts.Action
			for _, d := range tt.done {
				acts = append(acts, did(d, tt.task), did("2026-12-24 10:00", Spares))
			}
			got := p.List(acts)
			if len(got) != 1 || got[0].DueOn.Format(time.DateOnly) != tt.want {
				t.Fatalf("got %+v, want due on %s", got, tt.want)
			}
			r := got[0]
			if r.Due(r.DueOn.Add(-time.Minute)) || !r.Due(r.DueOn) || !r.New(r.DueOn.Add(23*time.Hour)) || r.New(r.DueOn.Add(25*time.Hour)) {
				t.Error("due or new at the wrong moment")
			}
		})
	}
}

func TestDayDoneIsNotTheDayTold(t *testing.T) {
	p := Plan{Every: map[Task]time.Duration{Insulators: 365 * day}, Since: on("2026-01-01 00:00")}
	a := did("2026-04-20 10:00", Insulators)
	a.On, a.Note = on("2026-03-01 00:00"), "two cracked"
	got := p.List([]alerts.Action{a})
	want := []Reminder{{Task: Insulators, DueOn: on("2027-03-01 00:00"), Last: a.On, By: "Orla", Note: "two cracked"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if s := got[0].Text(nil); s != "go over the insulators; last done 1 March 2026." {
		t.Errorf("said as %q", s)
	}
}

func TestOffIsNeverDue(t *testing.T) {
	if got := (Plan{Every: map[Task]time.Duration{}}).List(nil); len(got) != 0 {
		t.Errorf("got %v", got)
	}
}

// TestVerdict: 300 V at 15 A are 20 ohms, as the trade's reference has it (derived there from Ohm's law); the limits are
// BEEF magazine's 200 V, and 300 V that is widely printed.
func TestVerdict(t *testing.T) {
	for _, tt := range []struct {
		stake, fence, open, source float64
		want                       []string
	}{
		{300, 1000, 7000, 400, []string{"Just: 300 V", "About 20 ohm, at the 15 A"}},
		{0, 900, 8200, 350, []string{"Good: 0 V", "About 0 ohm"}},
		{200, 900, 8200, 350, []string{"Good: 200 V", "BEEF"}},
		{201, 900, 8200, 350, []string{"Just: 201 V"}},
		{301, 900, 8200, 350, []string{"Poor: 301 V", "clamps and lead first", "3 m apart"}},
	} {
		got := Verdict(alerts.EarthTest{StakeVolts: tt.stake, FenceVolts: tt.fence}, tt.open, tt.source)
		for _, w := range tt.want {
			if !strings.Contains(got, w) {
				t.Errorf("%v V at %v V: %q lacks %q", tt.stake, tt.fence, got, w)
			}
		}
	}
}

func TestNoTestAtAll(t *testing.T) {
	for name, v := range map[string]alerts.EarthTest{
		"not shorted": {StakeVolts: 100, FenceVolts: 2000}, "no fence": {StakeVolts: 100}, "kilovolts for volts": {StakeVolts: 1800, FenceVolts: 1.4},
		"negative": {StakeVolts: -1, FenceVolts: 1000},
	} {
		if err := Check(v); !errors.Is(err, ErrTest) || !strings.Contains(err.Error(), "\nhint: ") {
			t.Errorf("%s: got %v, want it refused with a hint", name, err)
		}
	}
	if err := Check(alerts.EarthTest{StakeVolts: 180, FenceVolts: 1400}); err != nil {
		t.Error(err)
	}
}

// TestEverythingStandsOnSomething wants each task and each step to say what it rests on.
func TestEverythingStandsOnSomething(t *testing.T) {
	for _, task := range Tasks() {
		if act, standing := task.What(); act == string(task) || standing == "" || !Known(string(task)) {
			t.Errorf("%s: %q, %q", task, act, standing)
		}
	}
	for i, s := range Steps() {
		if s.Do == "" || s.Standing == "" {
			t.Errorf("step %d: %+v", i+1, s)
		}
	}
	if Known("dance") {
		t.Error("knows a task that is none")
	}
}
