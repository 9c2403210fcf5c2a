package drill

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

var dublin = func() *time.Location {
	l, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return l
}()

// local reads a time of the farm.
func local(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.ParseInLocation("2006-01-02 15:04", s, dublin)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func mondays() Config {
	return Config{Day: time.Monday, At: 10 * 60, AnswerWithin: 4 * time.Hour, Location: dublin}
}

func newDrill(t *testing.T, cfg Config, saved []alerts.Saved) *Drill {
	t.Helper()
	d, err := New(cfg, saved)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// run ticks every minute over a stretch of time and returns what happened, with when.
func run(t *testing.T, d *Drill, from, to string, people ...string) (out []string) {
	t.Helper()
	for at := local(t, from); at.Before(local(t, to)); at = at.Add(time.Minute) {
		o := d.Tick(at, people)
		when := at.In(dublin).Format("Mon 2 Jan 15:04 ")
		if o.Send != "" {
			out = append(out, when+"send")
		}
		for _, e := range o.Events {
			out = append(out, when+string(e.Kind)+" "+e.Priority.String())
		}
	}
	return out
}

func TestTestsGoOutWeeklyAndComplain(t *testing.T) {
	for _, tt := range []struct {
		name     string
		cfg      Config
		from, to string
		people   []string
		want     []string
	}{
		{"nobody answers", mondays(), "2026-06-01 07:00", "2026-06-09 00:00", []string{"Ines"},
			[]string{"Mon 1 Jun 10:00 send", "Mon 1 Jun 14:00 raised medium", "Mon 8 Jun 10:00 send", "Mon 8 Jun 14:00 updated medium"}},
		{"set up within the hour before", mondays(), "2026-06-01 09:30", "2026-06-08 10:01", []string{"Ines"},
			[]string{"Mon 8 Jun 10:00 send"}},
		{"nobody to send to", mondays(), "2026-06-01 07:00", "2026-06-09 00:00", nil, nil},
		{"switched off", Config{Off: true}, "2026-06-01 07:00", "2026-06-09 00:00", []string{"Ines"}, nil},
		// Clocks go forward from 01:00 to 02:00 on 29 March 2026 in Dublin, and back on 25 October.
		{"an hour that is skipped", Config{Day: time.Sunday, At: 90, AnswerWithin: 4 * time.Hour, Location: dublin}, "2026-03-28 07:00", "2026-03-29 05:00",
			[]string{"Ines"}, []string{"Sun 29 Mar 02:30 send"}},
		{"an hour that comes twice", Config{Day: time.Sunday, At: 90, AnswerWithin: 4 * time.Hour, Location: dublin}, "2026-10-24 07:00", "2026-10-25 04:00",
			[]string{"Ines"}, []string{"Sun 25 Oct 01:30 send"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, run(t, newDrill(t, tt.cfg, nil), tt.from, tt.to, tt.people...)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestAnswersAreKept answers in time and late, to the test and to the complaint, across restarts.
func TestAnswersAreKept(t *testing.T) {
	d := newDrill(t, mondays(), nil)
	run(t, d, "2026-06-01 07:00", "2026-06-01 10:05", "Ines", "Tom")
	if !d.Concerns(d.Record().ID) || d.Concerns("") || d.Concerns("20260601T100000Z-brook-dead") {
		t.Error("the test does not know its own answers")
	}
	for _, by := range []string{"Tom", "Ines", "Tom"} {
		if es := d.Answer(local(t, "2026-06-01 10:05"), by); len(es) != 0 {
			t.Errorf("an answer in time says %+v", es)
		}
	}
	if got := d.Record(); len(got.Answers) != 2 || got.Answers[0].By != "Tom" || got.Last.By != "Tom" {
		t.Errorf("kept %+v", got)
	}
	d = newDrill(t, mondays(), d.Saved())
	if got := run(t, d, "2026-06-01 10:05", "2026-06-08 14:01", "Ines"); !cmp.Equal(got, []string{"Mon 8 Jun 10:00 send", "Mon 8 Jun 14:00 raised medium"}) {
		t.Errorf("after a restart: %q", got)
	}
	if got := d.Record().Last; got.By != "Tom" {
		t.Errorf("a new test made the last answer %+v", got)
	}
	d = newDrill(t, mondays(), d.Saved())
	complaint := d.Record().Complaint
	if !d.Concerns(complaint) {
		t.Fatalf("complaint %q is not known after a restart", complaint)
	}
	es := d.Answer(local(t, "2026-06-08 15:00"), "")
	if len(es) != 1 || es[0].Kind != alerts.Returned || es[0].ID != complaint || !strings.HasPrefix(es[0].Text, "Somebody") {
		t.Errorf("a late answer says %+v, want the end of %s", es, complaint)
	}
	if d.Concerns(complaint) || len(d.Saved()) != 1 || d.Saved() != nil {
		t.Error("the end is not kept")
	}
}

// TestTroubledClocks sees that neither a clock that was wrong nor a computer that was off makes a test at a wrong hour,
// or none for months.
// TestNowIsAnsweredLikeAWeeklyOne sends a test out of turn: it can be answered, is complained of when nobody does, and
// leaves the weekly hour alone.
func TestNowIsAnsweredLikeAWeeklyOne(t *testing.T) {
	d := newDrill(t, mondays(), nil)
	run(t, d, "2026-05-19 08:00", "2026-05-19 08:05", "Ann")
	next := d.Record().Next
	now := local(t, "2026-05-19 09:00")
	id := d.Now(now, []string{"Ann"})
	saved := d.Saved()
	if r := d.Record(); id == "" || r.ID != id || !r.Next.Equal(next) || !r.AnswerBy.Equal(now.Add(4*time.Hour)) || len(saved) != 1 {
		t.Fatalf("after a test at once: %+v, and %d saved", r, len(saved))
	}
	if !d.Concerns(id) {
		t.Error("an answer to it does not count")
	}
	want := []string{"Tue 19 May 13:00 raised medium"}
	if diff := cmp.Diff(want, run(t, d, "2026-05-19 09:01", "2026-05-19 13:30", "Ann")); diff != "" {
		t.Errorf("unanswered (-want +got):\n%s", diff)
	}
	d.Answer(now.Add(5*time.Hour), "Ann")
	if r := d.Record(); r.Last.By != "Ann" || r.Complaint != "" {
		t.Errorf("after the answer: %+v", r)
	}
}

func TestTroubledClocks(t *testing.T) {
	d := newDrill(t, mondays(), nil)
	run(t, d, "2026-06-01 09:55", "2026-06-01 10:00", "Ines")
	if got := run(t, d, "2026-06-08 15:30", "2026-06-08 15:31", "Ines"); len(got) != 1 {
		t.Errorf("five hours late: %q, want it sent", got)
	}
	if got := run(t, d, "2026-06-15 16:01", "2026-06-15 16:02", "Ines"); !cmp.Equal(got, []string{"Mon 15 Jun 16:01 raised medium"}) {
		t.Errorf("too late: %q, want only the complaint about the last", got)
	}
	run(t, d, "2027-01-01 00:00", "2027-01-01 00:01", "Ines") // a clock that ran ahead,
	if got := run(t, d, "2026-06-22 09:59", "2026-06-22 10:01", "Ines"); len(got) != 1 {
		t.Errorf("after the clock was set back: %q, want the next Monday's test", got)
	}
	cfg := mondays()
	cfg.Day, cfg.At = time.Friday, 9*60
	d = newDrill(t, cfg, d.Saved())
	if got := run(t, d, "2026-06-24 00:00", "2026-06-30 00:00", "Ines"); !cmp.Equal(got[len(got)-1:], []string{"Fri 26 Jun 13:00 updated medium"}) {
		t.Errorf("after the hour was changed: %q", got)
	}
}

func TestSwitchedOffEndsTheComplaint(t *testing.T) {
	d := newDrill(t, mondays(), nil)
	run(t, d, "2026-06-01 07:00", "2026-06-01 15:00", "Ines")
	d = newDrill(t, Config{Off: true}, d.Saved())
	if got := run(t, d, "2026-06-01 15:00", "2026-06-01 15:02", "Ines"); !cmp.Equal(got, []string{"Mon 1 Jun 15:00 returned medium"}) {
		t.Errorf("got %q, want the end of the complaint", got)
	}
}

func TestBrokenRecordIsAnError(t *testing.T) {
	if _, err := New(mondays(), []alerts.Saved{{Kind: savedKind, Key: savedKey, JSON: []byte("{")}}); err == nil {
		t.Error("want an error")
	}
}
