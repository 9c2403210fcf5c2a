package self

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

var noon = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

func newWatch(t *testing.T, saved []alerts.Saved) *Watch {
	t.Helper()
	w, err := New(time.UTC, saved)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// follow looks every ten seconds, minute from until minute to, and returns what was said with the minute.
func follow(w *Watch, from, to int, facts func(minute float64) Facts) (out []string) {
	for at := noon.Add(time.Duration(from) * time.Minute); at.Before(noon.Add(time.Duration(to) * time.Minute)); at = at.Add(10 * time.Second) {
		for _, e := range w.Look(at, facts(at.Sub(noon).Minutes())) {
			out = append(out, strings.Join([]string{at.Format("15:04"), string(e.Condition), string(e.Kind), e.Priority.String()}, " "))
		}
	}
	return out
}

func between(m, from, to float64) bool { return m >= from && m < to }

func failing(names ...string) map[string]Failing {
	out := map[string]Failing{}
	for _, n := range names {
		out[n] = Failing{noon, "connection refused"}
	}
	return out
}

func TestWhatFailsIsAnAlarmUntilItMends(t *testing.T) {
	dropped := 0.0
	for _, tt := range []struct {
		name  string
		facts func(m float64) Facts
		want  []string
	}{
		{"all well", func(float64) Facts { return Facts{} }, nil},
		{"one channel, then both, then none", func(m float64) (f Facts) {
			switch {
			case between(m, 5, 10):
				f.Channels = failing("mail")
			case between(m, 10, 20):
				f.Channels, f.Mute = failing("mail", "push"), "no channel works"
			case between(m, 20, 30):
				f.Channels = failing("push")
			}
			return f
		}, []string{"12:05 channel raised medium", "12:10 channel updated high", "12:20 channel updated medium", "12:30 channel returned medium"}},
		{"one burst too many", func(m float64) Facts {
			if m == 5 {
				dropped += 100
			}
			return Facts{Dropped: dropped}
		}, nil},
		{"a flood", func(m float64) Facts {
			if between(m, 5, 15) {
				dropped++
			}
			return Facts{Dropped: dropped}
		}, []string{"12:06 queue raised medium", "12:25 queue returned medium"}},
		{"a card that stutters", func(m float64) (f Facts) {
			if between(m, 5, 5.5) {
				f.Storage = "busy"
			}
			return f
		}, nil},
		{"a full disk", func(m float64) (f Facts) {
			if between(m, 5, 15) || between(m, 15.5, 20) {
				f.Storage = "the disk is full"
			}
			return f
		}, []string{"12:06 storage raised medium", "12:21 storage returned medium"}},
		{"a clock that was set, twice", func(m float64) (f Facts) {
			if m == 5 || m == 30 {
				f.Jump = -3 * time.Hour
			}
			return f
		}, []string{"12:05 clock raised medium", "13:30 clock returned medium"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, follow(newWatch(t, nil), 0, 120, tt.facts)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestAStartForgetsNothing starts anew while no channel works: that still counts until there was time to find out.
func TestAStartForgetsNothing(t *testing.T) {
	down := Facts{Channels: map[string]Failing{"mail": {noon, "refused"}}, Mute: "no channel works"}
	w := newWatch(t, nil)
	es := w.Look(noon, down)
	if len(es) != 1 || !w.Mute() || !strings.Contains(es[0].Text, "mail") || !strings.Contains(strings.Join(es[0].Evidence, ""), "refused") {
		t.Fatalf("said %+v, mute %t", es, w.Mute())
	}
	w = newWatch(t, w.Saved())
	if got := follow(w, 1, 19, func(float64) Facts { return Facts{} }); got != nil || !w.Mute() {
		t.Errorf("after a start: %q, mute %t, want nothing known yet", got, w.Mute())
	}
	if got := follow(w, 19, 25, func(float64) Facts { return Facts{} }); len(got) != 1 || w.Mute() {
		t.Errorf("after twenty minutes: %q, mute %t, want the end", got, w.Mute())
	}
	if s := w.Saved(); len(s) != 1 || s[0].JSON != nil || w.Saved() != nil {
		t.Errorf("saved %+v, want it forgotten", s)
	}
	if _, err := New(time.UTC, []alerts.Saved{{Kind: savedKind, Key: "channel", JSON: []byte("{")}}); err == nil {
		t.Error("a broken record is taken up")
	}
}

func TestJumps(t *testing.T) {
	type step struct {
		wall time.Time
		up   time.Duration
		want time.Duration
	}
	for _, tt := range []struct {
		name  string
		steps []step
	}{
		{"time passes", []step{{noon, time.Hour, 0}, {noon.Add(5 * time.Minute), time.Hour + 5*time.Minute, 0}}},
		{"it is slewed", []step{{noon, time.Hour, 0}, {noon.Add(61 * time.Second), time.Hour + time.Minute, 0}}},
		{"a day back", []step{{noon, time.Hour, 0}, {noon.AddDate(0, 0, -1).Add(time.Second), time.Hour + time.Second, -24 * time.Hour},
			{noon.AddDate(0, 0, -1).Add(2 * time.Second), time.Hour + 2*time.Second, 0}}},
		{"a day ahead", []step{{noon, time.Hour, 0}, {noon.AddDate(0, 0, 1), time.Hour, 24 * time.Hour}}},
		{"a board without a battery finds the time", []step{{time.Unix(0, 0), time.Second, 0}, {noon, time.Minute, 0}, {noon.Add(time.Second), time.Minute + time.Second, 0}}},
		{"and one that finds it too late", []step{{noon, time.Second, 0}, {noon.Add(time.Hour + 11*time.Minute), 11*time.Minute + time.Second, time.Hour}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var j Jumps
			for i, s := range tt.steps {
				if got := j.Look(s.wall, s.up); got != s.want {
					t.Errorf("step %d: %s, want %s", i, got, s.want)
				}
			}
		})
	}
}
