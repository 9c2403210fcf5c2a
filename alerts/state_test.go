package alerts

import (
	"encoding/csv"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
)

// row is one line of the table of moves.
type row struct {
	line                       int
	from                       State
	trigger                    Trigger
	guard, to, annunciate, why string
}

func readMoves(t *testing.T) []row {
	t.Helper()
	f, err := os.Open("testdata/alarm_transitions.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	recs, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(recs[0], ","), "from,event,guard,to,annunciate,basis"; got != want {
		t.Fatalf("header %q, want %q", got, want)
	}
	var rows []row
	for i, r := range recs[1:] {
		rows = append(rows, row{i + 2, State(r[0]), Trigger(r[1]), r[2], r[3], r[4], r[5]})
	}
	return rows
}

// guards says in code what each guard of the table says in words.
func guards() map[string]func(Given) bool {
	yes := func(Given) bool { return true }
	return map[string]func(Given) bool{
		"":                         yes,
		"after on-delay":           yes, // the detectors' part
		"authorised user":          yes, // the page's part
		"rule true":                yes,
		"latching":                 func(g Given) bool { return g.Latching },
		"still active":             func(g Given) bool { return g.On },
		"condition is on":          func(g Given) bool { return g.On },
		"condition is off":         func(g Given) bool { return !g.On },
		"one-shot shelving":        func(g Given) bool { return g.OneShot },
		"timed shelving":           func(g Given) bool { return !g.OneShot },
		"rule false":               yes,
		"duration<=MaxTimeShelved": func(g Given) bool { return !g.TooLong },
		"duration>MaxTimeShelved":  func(g Given) bool { return g.TooLong },
		"non-latching and after off-delay/deadband": func(g Given) bool { return !g.Latching },
	}
}

func allStates() []State {
	return []State{StateNormal, StateUnackActive, StateAckedActive, StateUnackRTN, StateLatchedUnack, StateLatchedAcked,
		StateShelved, StateSuppressed, StateOutOfService}
}

func allGiven() []Given {
	var out []Given
	for i := range 16 {
		out = append(out, Given{On: i&1 != 0, Latching: i&2 != 0, OneShot: i&4 != 0, TooLong: i&8 != 0})
	}
	return out
}

func TestMoveFollowsEveryRow(t *testing.T) {
	known := guards()
	for _, r := range readMoves(t) {
		holds, ok := known[r.guard]
		if !ok {
			t.Fatalf("line %d: guard %q has no meaning here", r.line, r.guard)
		}
		froms := []State{r.from}
		if r.from == "any" {
			froms = allStates()
		}
		tried := 0
		for _, from := range froms {
			for _, g := range allGiven() {
				if !holds(g) {
					continue
				}
				tried++
				checkRow(t, r, from, g)
			}
		}
		if tried == 0 {
			t.Errorf("line %d: never tried", r.line)
		}
	}
}

func checkRow(t *testing.T, r row, from State, g Given) {
	t.Helper()
	got, say, err := Move(from, r.trigger, g)
	to := State(r.to)
	if r.to == "unchanged" {
		to = from
	}
	if got != to {
		t.Errorf("line %d: %s + %s %+v went to %s, want %s", r.line, from, r.trigger, g, got, to)
	}
	refused := r.annunciate == "error" || strings.HasPrefix(r.why, "refuse")
	var re *RefusedError
	if errors.As(err, &re) != refused {
		t.Errorf("line %d: %s + %s %+v gave error %v, want refused %t", r.line, from, r.trigger, g, err, refused)
	}
	if !refused && say != Annunciation(r.annunciate) {
		t.Errorf("line %d: %s + %s %+v says %q, want %q", r.line, from, r.trigger, g, say, r.annunciate)
	}
}

// TestMoveDoesNothingElse is the other half: what no row allows must not move a point.
func TestMoveDoesNothingElse(t *testing.T) {
	rows, known := readMoves(t), guards()
	var triggers []Trigger
	for _, r := range rows {
		if !slices.Contains(triggers, r.trigger) {
			triggers = append(triggers, r.trigger)
		}
	}
	facts := []Trigger{ConditionOn, ConditionOff, RealarmTimer, ShelfTimerExpired, SuppressByDesign, RuleFalse}
	without := 0
	for _, s := range allStates() {
		for _, tr := range triggers {
			for _, g := range allGiven() {
				has := slices.ContainsFunc(rows, func(r row) bool {
					return (r.from == s || r.from == "any") && r.trigger == tr && known[r.guard](g)
				})
				if has {
					continue
				}
				without++
				got, say, err := Move(s, tr, g)
				if got != s || say != Quiet {
					t.Errorf("%s + %s %+v went to %s and said %q; no row allows it", s, tr, g, got, say)
				}
				if (err == nil) != slices.Contains(facts, tr) {
					t.Errorf("%s + %s %+v: error %v; people are refused, facts are not", s, tr, g, err)
				}
			}
		}
	}
	if without < 100 {
		t.Errorf("only %d combinations without a row; the table or the test has changed", without)
	}
}

func TestMoveRefusesUnknownTrigger(t *testing.T) {
	if s, _, err := Move(StateNormal, "dance", Given{}); err == nil || s != StateNormal {
		t.Errorf("got %s, %v; want it refused", s, err)
	}
}

func TestRefusedErrorHasHint(t *testing.T) {
	_, _, err := Move(StateAckedActive, Trigger(Acknowledge), Given{On: true})
	if err == nil || !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("got %v, want a hint line", err)
	}
}
