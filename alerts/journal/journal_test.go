package journal

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

func at(min int) time.Time {
	return time.Date(2026, 4, 21, 1, 0, 0, 0, time.UTC).Add(time.Duration(min) * time.Minute)
}

func event(id string, kind alerts.EventKind, min int) alerts.Event {
	return alerts.Event{ID: id, Kind: kind, Time: at(min), Finding: alerts.Finding{
		Source: farm.ZoneSource("brook"), Condition: alerts.Dead, Cause: alerts.Open, Priority: alerts.High,
		KV: new(0.2), Text: "Brook is dead.",
	}}
}

func message(key string, es ...alerts.Event) alerts.Message {
	return alerts.Message{Key: key, Kind: alerts.TellRaised, Person: "Orla", Created: at(0), Priority: alerts.High,
		Route: farm.Route{Channel: "mail", Address: "orla@example.org"}, Subject: "Dead: brook", Alarms: es, Answers: true}
}

// step is one whole step: an event with its message and a piece of state.
func step(id string, kind alerts.EventKind, min int) alerts.Step {
	e := event(id, kind, min)
	return alerts.Step{Events: []alerts.Event{e}, Messages: []alerts.Message{message(id+string(kind), e)},
		Saved: []alerts.Saved{{Kind: "point", Key: "zone/brook/dead", JSON: fmt.Appendf(nil, `{"id":%q}`, id)}}}
}

func open(t testing.TB, path string) *Journal {
	t.Helper()
	j, err := Open(t.Context(), Options{Path: path, LockWait: time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

func record(t testing.TB, j *Journal, s alerts.Step) {
	t.Helper()
	if err := j.Record(t.Context(), s); err != nil {
		t.Fatal(err)
	}
}

func pendingKeys(j *Journal) []string {
	var out []string
	for _, m := range j.Pending() {
		out = append(out, m.Key)
	}
	return out
}

func wantPending(t *testing.T, j *Journal, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, pendingKeys(j), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("pending (-want +got):\n%s", diff)
	}
}

func TestRecordSurvivesReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a farm #1?.db")
	j := open(t, path)
	record(t, j, step("x", alerts.Raised, 0))
	ack := alerts.Action{Time: at(5), Kind: alerts.Acknowledge, Alarm: "x", By: "Orla"}
	record(t, j, alerts.Step{Actions: []alerts.Action{ack}})
	record(t, j, step("x", alerts.Returned, 9))
	retry := alerts.Delivery{Key: "xreturned", Outcome: alerts.Pending, At: at(9), Tries: 3, NextTry: at(12), Err: "no answer"}
	taken := alerts.Delivery{Key: "xraised", Outcome: alerts.Taken, At: at(1), Tries: 1}
	if err := j.Settle(t.Context(), taken, retry); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}

	j = open(t, path)
	wantPending(t, j, "xreturned")
	if m := j.Pending()[0]; m.Tries != 3 || !m.NextTry.Equal(at(12)) {
		t.Errorf("got %d tries and next %s, want 3 and %s", m.Tries, m.NextTry, at(12))
	}
	got, err := j.Alarms(t.Context(), Filter{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Alarm{{ID: "x", Raised: at(0), Updated: at(9), Returned: at(9), AckedAt: at(5), AckedBy: "Orla",
		Finding: event("x", alerts.Raised, 0).Finding}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("alarms (-want +got):\n%s", diff)
	}
	past, err := j.Load(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	wantPast := Past{Saved: step("x", alerts.Returned, 9).Saved,
		Said: []alerts.EventKey{{ID: "x", Kind: alerts.Raised, UnixNano: at(0).UnixNano()}, {ID: "x", Kind: alerts.Returned, UnixNano: at(9).UnixNano()}}}
	if diff := cmp.Diff(wantPast, past); diff != "" {
		t.Errorf("past (-want +got):\n%s", diff)
	}
	sent, err := j.Messages(t.Context(), "x")
	if err != nil {
		t.Fatal(err)
	}
	if len(sent) != 2 || sent[0].Outcome != alerts.Taken || sent[1].Outcome != alerts.Pending || sent[1].Err != "no answer" {
		t.Errorf("messages of x: %+v", sent)
	}
}

func TestLinkIsNeverStored(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	s := step("x", alerts.Raised, 0)
	s.Messages[0].Link = "https://farm.example/a/secret-token"
	record(t, j, s)
	var data string
	if err := j.r.QueryRow(`SELECT json FROM message`).Scan(&data); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(data, "secret-token") {
		t.Errorf("the link is in the file: %s", data)
	}
}

// TestRepeatsChangeNothing records random steps, each any number of times and after restarts, and wants the file of the
// run that recorded each once.
func TestRepeatsChangeNothing(t *testing.T) {
	for seed := range uint64(5) {
		r := rand.New(rand.NewPCG(seed, 2))
		once, often := open(t, filepath.Join(t.TempDir(), "o.db")), open(t, "")
		path := filepath.Join(t.TempDir(), "r.db")
		often.Close()
		often = open(t, path)
		var steps []alerts.Step
		for i := range 25 {
			steps = append(steps, randomStep(r, i))
		}
		for i, s := range steps {
			record(t, once, s)
			record(t, often, s)
			for range r.IntN(3) {
				old := steps[r.IntN(i+1)]
				old.Saved = nil // the book gives none for what it was told before
				record(t, often, old)
			}
			if r.IntN(4) == 0 && len(once.Pending()) > 0 {
				d := alerts.Delivery{Key: once.Pending()[0].Key, Outcome: alerts.Taken, At: at(i)}
				if err := errors.Join(once.Settle(t.Context(), d), often.Settle(t.Context(), d)); err != nil {
					t.Fatal(err)
				}
			}
			if r.IntN(6) == 0 {
				often.Close()
				often = open(t, path)
			}
		}
		if diff := cmp.Diff(dump(t, once), dump(t, often)); diff != "" {
			t.Errorf("seed %d (-once +often):\n%s", seed, diff)
		}
		if diff := cmp.Diff(pendingKeys(once), pendingKeys(often)); diff != "" {
			t.Errorf("seed %d pending (-once +often):\n%s", seed, diff)
		}
	}
}

func randomStep(r *rand.Rand, i int) alerts.Step {
	kinds := []alerts.EventKind{alerts.Raised, alerts.Updated, alerts.Returned, alerts.Escalated}
	s := step(fmt.Sprintf("a%d", i/4), kinds[i%4], i)
	if r.IntN(3) == 0 {
		s.Actions = []alerts.Action{{Time: at(i), Kind: alerts.Acknowledge, Alarm: s.Events[0].ID, By: "Bram"}}
	}
	return s
}

// dump returns every row that matters, without the running numbers.
func dump(t *testing.T, j *Journal) []string {
	t.Helper()
	var out []string
	for _, q := range []string{
		`SELECT id || kind || time || json FROM event ORDER BY seq`,
		`SELECT id || source || condition || raised || updated || ifnull(returned, '-') || ifnull(acked, '-') || ifnull(acked_by, '-') ||
			escalated || finding FROM alarm ORDER BY id`,
		`SELECT time || kind || alarm || json FROM action ORDER BY seq`,
		`SELECT key || outcome || tries || changed || json FROM message ORDER BY key`,
		`SELECT alarm || key FROM message_alarm ORDER BY 1`,
		`SELECT kind || key || json FROM alarm_state ORDER BY 1`,
	} {
		rows, err := j.r.Query(q)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var s string
			if err := rows.Scan(&s); err != nil {
				t.Fatal(err)
			}
			out = append(out, s)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func TestHistoryFilters(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	add := func(id, source string, c alerts.Condition, from, to int) {
		e := event(id, alerts.Raised, from)
		e.Source, e.Condition = farm.Source(source), c
		record(t, j, alerts.Step{Events: []alerts.Event{e}})
		if to > 0 {
			e.Kind, e.Time = alerts.Returned, at(to)
			record(t, j, alerts.Step{Events: []alerts.Event{e}})
		}
	}
	add("a", "zone/brook", alerts.Dead, 0, 10)
	add("b", "zone/hazel", alerts.Low, 20, 30)
	add("c", "zone/brook", alerts.Low, 40, 0)
	for _, tt := range []struct {
		name string
		f    Filter
		want string
	}{
		{"all, newest first", Filter{}, "c b a"},
		{"one", Filter{ID: "b"}, "b"},
		{"a source", Filter{Source: "zone/brook"}, "c a"},
		{"a condition", Filter{Condition: alerts.Low}, "c b"},
		{"open", Filter{OpenOnly: true}, "c"},
		{"on at any moment of the span", Filter{From: at(5), To: at(25)}, "b a"},
		{"not yet raised before the end", Filter{To: at(20)}, "a"},
		{"an open one reaches into any later span", Filter{From: at(500)}, "c"},
		{"the newest", Filter{Limit: 1}, "c"},
		{"nothing", Filter{Source: "site"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			as, err := j.Alarms(t.Context(), tt.f)
			if err != nil {
				t.Fatal(err)
			}
			var ids []string
			for _, a := range as {
				ids = append(ids, a.ID)
			}
			if got := strings.Join(ids, " "); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestExportActions(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	late := alerts.Action{Time: at(9).In(time.FixedZone("", 3600)), Kind: alerts.Trimmed, Source: "zone/brook", By: "Bram"}
	early := alerts.Action{Time: at(1), Kind: alerts.Shelve, Alarm: "x", By: "Orla", Until: at(60), Note: "growth, Friday"}
	record(t, j, alerts.Step{Actions: []alerts.Action{late, early, early}})
	var buf bytes.Buffer
	if err := j.ExportActions(t.Context(), &buf); err != nil {
		t.Fatal(err)
	}
	want := `{"time":"2026-04-21T01:01:00Z","action":"shelve","alarm":"x","by":"Orla","until":"2026-04-21T02:00:00Z","note":"growth, Friday"}
{"time":"2026-04-21T01:09:00Z","action":"trimmed","source":"zone/brook","by":"Bram"}
`
	if diff := cmp.Diff(want, buf.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var back alerts.Action
	if err := json.Unmarshal(bytes.SplitN(buf.Bytes(), []byte("\n"), 2)[0], &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(early, back); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
	some, err := j.Actions(t.Context(), at(2), at(9))
	if err != nil || len(some) != 0 {
		t.Errorf("from 2 until before 9: got %v, %v; want none", some, err)
	}
}

func TestUnwritable(t *testing.T) {
	var locker *sql.DB
	for _, tt := range []struct {
		name        string
		want        Reason
		break_, fix func(t *testing.T, j *Journal, path string)
	}{
		{"disk full", DiskFull,
			func(t *testing.T, j *Journal, _ string) { fill(t, j) },
			func(t *testing.T, j *Journal, _ string) { run(t, j.w, `PRAGMA max_page_count = 1000000`) }},
		{"read-only", ReadOnly,
			func(t *testing.T, j *Journal, _ string) { run(t, j.w, `PRAGMA query_only = 1`) },
			func(t *testing.T, j *Journal, _ string) { run(t, j.w, `PRAGMA query_only = 0`) }},
		{"locked", Locked,
			func(t *testing.T, _ *Journal, path string) { locker = lock(t, path) },
			func(t *testing.T, _ *Journal, _ string) { run(t, locker, `ROLLBACK`) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "f.db")
			j := open(t, path)
			record(t, j, step("before", alerts.Raised, 0))
			tt.break_(t, j, path)

			big := step("x", alerts.Raised, 1)
			big.Messages[0].Body = strings.Repeat("hazel ", 4000)
			checkUnwritable(t, j.Record(t.Context(), big), tt.want)
			wantPending(t, j, "beforeraised", "xraised")
			// Sent from memory, and said again by detectors: it must not go out a second time.
			checkUnwritable(t, j.Settle(t.Context(), alerts.Delivery{Key: "xraised", Outcome: alerts.Taken, At: at(2)}), tt.want)
			checkUnwritable(t, j.Record(t.Context(), big), tt.want)
			wantPending(t, j, "beforeraised")
			if n := j.Backlog(); n != 3 {
				t.Errorf("backlog is %d, want 3", n)
			}

			tt.fix(t, j, path)
			if err := j.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
			wantPending(t, j, "beforeraised")
			if n := j.Backlog(); n != 0 {
				t.Errorf("backlog is %d after the cure", n)
			}
			sent, err := j.Messages(t.Context(), "x")
			if err != nil || len(sent) != 1 || sent[0].Outcome != alerts.Taken {
				t.Errorf("message of x after the cure: %+v, %v", sent, err)
			}
		})
	}
}

func checkUnwritable(t *testing.T, err error, want Reason) {
	t.Helper()
	var u *UnwritableError
	if !errors.As(err, &u) || u.Reason != want {
		t.Fatalf("got %v, want an unwritable journal because %s", err, want)
	}
	if !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("no hint in %q", err)
	}
}

func run(t *testing.T, db *sql.DB, query string) {
	t.Helper()
	if _, err := db.Exec(query); err != nil {
		t.Fatal(err)
	}
}

// fill lets the file grow no further.
func fill(t *testing.T, j *Journal) {
	var pages int
	if err := j.w.QueryRow(`PRAGMA page_count`).Scan(&pages); err != nil {
		t.Fatal(err)
	}
	run(t, j.w, fmt.Sprintf(`PRAGMA max_page_count = %d`, pages))
}

// lock holds the write lock from another connection until that rolls back.
func lock(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	db.SetMaxOpenConns(1)
	run(t, db, `BEGIN IMMEDIATE`)
	return db
}

func TestUnwritableThenNewerWork(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	run(t, j.w, `PRAGMA query_only = 1`)
	checkUnwritable(t, j.Record(t.Context(), step("x", alerts.Raised, 0)), ReadOnly)
	run(t, j.w, `PRAGMA query_only = 0`)
	record(t, j, step("x", alerts.Returned, 5))
	wantPending(t, j, "xraised", "xreturned")
	as, err := j.Alarms(t.Context(), Filter{})
	if err != nil || len(as) != 1 || as[0].Returned.IsZero() {
		t.Errorf("got %+v, %v; want x, returned", as, err)
	}
}

func TestStepThatCannotBeWrittenIsRefused(t *testing.T) {
	j := open(t, "")
	s := step("x", alerts.Raised, 0)
	s.Events[0].KV = new(math.NaN())
	if err := j.Record(t.Context(), s); err == nil || j.Backlog() != 0 {
		t.Errorf("got %v and a backlog of %d; want an error and none", err, j.Backlog())
	}
	record(t, j, step("y", alerts.Raised, 0))
}

func TestWithoutDisk(t *testing.T) {
	j := open(t, "")
	record(t, j, step("x", alerts.Raised, 0))
	wantPending(t, j, "xraised")
	as, err := j.Alarms(t.Context(), Filter{OpenOnly: true})
	if err != nil || len(as) != 1 {
		t.Errorf("got %v, %v", as, err)
	}
}

func TestOpenRefuses(t *testing.T) {
	t.Run("a newer schema", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "f.db")
		j := open(t, path)
		run(t, j.w, `UPDATE journal_schema SET version = 99`)
		j.Close()
		_, err := Open(t.Context(), Options{Path: path})
		if err == nil || !strings.Contains(err.Error(), "newer") || !strings.Contains(err.Error(), "\nhint: ") {
			t.Errorf("got %v, want a refusal with a hint", err)
		}
	})
	t.Run("no folder", func(t *testing.T) {
		if _, err := Open(t.Context(), Options{Path: filepath.Join(t.TempDir(), "no", "f.db")}); err == nil {
			t.Error("opened")
		}
	})
	t.Run("not a database", func(t *testing.T) {
		if _, err := Open(t.Context(), Options{Path: "journal_test.go"}); err == nil {
			t.Error("opened")
		}
	})
}

// TestSharesItsFile has another writer with tables of its own in the same file.
func TestSharesItsFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	other, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(5000)&_pragma=journal_mode(WAL)&_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	run(t, other, `CREATE TABLE reading (at INTEGER)`)
	run(t, other, `PRAGMA user_version = 7`)
	j, err := Open(t.Context(), Options{Path: path, LockWait: 10 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range 50 {
			if _, err := other.Exec(`INSERT INTO reading VALUES (?)`, i); err != nil {
				t.Error(err)
				return
			}
		}
	})
	for i := range 50 {
		record(t, j, step(fmt.Sprint(i), alerts.Raised, i))
	}
	wg.Wait()
	var n, v int
	if err := errors.Join(other.QueryRow(`SELECT count(*) FROM reading`).Scan(&n), other.QueryRow(`PRAGMA user_version`).Scan(&v)); err != nil {
		t.Fatal(err)
	}
	if n != 50 || v != 7 || len(j.Pending()) != 50 {
		t.Errorf("got %d readings, user_version %d, %d messages; want 50, 7, 50", n, v, len(j.Pending()))
	}
}
