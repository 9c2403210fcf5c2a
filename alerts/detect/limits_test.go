package detect_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"nightwire/alerts/detect"
	"nightwire/sim/scenario"
)

// guideFile has the table of what each limit saves and costs.
const guideFile = "../../DEVELOPERS.md"

// limitsTable finds it, from its first row on.
var limitsTable = regexp.MustCompile(`(?s)\| none \|.*?\n\n`)

func guide(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(guideFile)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// trial is the limits with one of them moved.
type trial struct {
	name   string
	limits detect.Limits
}

// trials are the limits as they are set, and with each made stricter and laxer.
func trials() []trial {
	base := detect.DefaultLimits()
	out := []trial{{"none", base}}
	for _, m := range []struct {
		name string
		with func(*detect.Limits) *float64
	}{
		{"dip", func(l *detect.Limits) *float64 { return &l.Dip }},
		{"silence", func(l *detect.Limits) *float64 { return &l.Silence }},
		{"wet", func(l *detect.Limits) *float64 { return &l.Wet }},
		{"shift", func(l *detect.Limits) *float64 { return &l.Shift }},
	} {
		for _, k := range []float64{0.6, 1.6} {
			l := base
			v := m.with(&l)
			was := *v
			*v *= k
			out = append(out, trial{fmt.Sprintf("%s %.3g → %.3g", m.name, was, *v), l})
		}
	}
	return out
}

// limitsRow is a row of the table.
func limitsRow(name string, s score) string {
	return fmt.Sprintf("| %s | %s | %s | %s | %d | %.3f |\n", name, of(s.found, s.faults), of(s.cause, s.found), of(s.zone, s.found),
		s.extra, float64(s.false_)/s.zoneMonths)
}

// The guide's table is of the limits that are set.
func TestLimitsInGuide(t *testing.T) {
	table := limitsTable.FindString(guide(t))
	for _, tr := range trials() {
		if !strings.Contains(table, "| "+tr.name+" |") {
			t.Errorf("%s says nothing of %s; LIMITS=1 go test -timeout 1h -run Limits ./alerts/detect -update writes the table", guideFile, tr.name)
		}
	}
}

// TestLimits holds the guide to what each limit costs and saves: false alarms and missed faults as it is moved. It takes
// several times as long as the scored seasons; set LIMITS to run it.
func TestLimits(t *testing.T) {
	if os.Getenv("LIMITS") == "" {
		t.Skip("skipped: set LIMITS=1 to sweep the limits over the scored seasons")
	}
	want := ""
	for _, tr := range trials() {
		var total score
		for _, name := range scenario.Names() {
			ours, _ := runScore(t, name, tr.limits)
			total.add(ours)
		}
		row := limitsRow(tr.name, total)
		t.Log(strings.TrimSpace(row))
		want += row
	}
	text := guide(t)
	if *update {
		text = limitsTable.ReplaceAllLiteralString(text, want+"\n")
		if err := os.WriteFile(guideFile, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if !strings.Contains(text, want) {
		t.Errorf("%s has another table; read what this prints, and write it there by -update", guideFile)
	}
}
