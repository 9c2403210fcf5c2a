package web

import (
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

var (
	usedInTemplate = regexp.MustCompile(`\bt "([a-z.]+)"`)
	builtInTempl   = regexp.MustCompile(`\b(?:t|has) \(print "([a-z.]+)"`)
	usedInCode     = regexp.MustCompile(`"([a-z]+(?:\.[a-zA-Z0-9_-]+)+)"`)
	builtInCode    = regexp.MustCompile(`"([a-z]+(?:\.[a-z]+)*\.)" *\+`)
)

// TestEveryTextIsInTheWordsFile looks for keys in the templates and the code: each must have a text, and each text a use.
func TestEveryTextIsInTheWordsFile(t *testing.T) {
	w, err := loadWords("en")
	if err != nil {
		t.Fatal(err)
	}
	var templates, code string
	for _, dir := range []string{"templates", "."} {
		entries, err := fs.ReadDir(os.DirFS(dir), ".")
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			b, err := os.ReadFile(dir + "/" + e.Name())
			switch {
			case e.IsDir() || strings.HasSuffix(e.Name(), "_test.go"):
			case err != nil:
				t.Fatal(err)
			case dir == "templates":
				templates += string(b)
			case strings.HasSuffix(e.Name(), ".go"):
				code += string(b)
			}
		}
	}
	used := map[string]bool{}
	for _, m := range usedInTemplate.FindAllStringSubmatch(templates, -1) {
		used[m[1]] = true
		if !w.has(m[1]) {
			t.Errorf("a template uses %q, which has no text", m[1])
		}
	}
	var prefixes []string
	for _, m := range slices.Concat(builtInTempl.FindAllStringSubmatch(templates, -1), builtInCode.FindAllStringSubmatch(code, -1)) {
		prefixes = append(prefixes, m[1])
	}
	for _, m := range usedInCode.FindAllStringSubmatch(code, -1) {
		used[m[1]] = true
	}
	for key := range w.texts {
		base := strings.TrimSuffix(strings.TrimSuffix(key, ".one"), ".other")
		built := slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(key, p) })
		if !used[key] && !used[base] && !built && key != "decimal" && key != "and" && key != "ago" && key != "percent" && key != "offline" {
			t.Errorf("text %q is used nowhere", key)
		}
	}
}

func TestEveryStateAndActHasWords(t *testing.T) {
	w, err := loadWords("en")
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, c := range conditions() {
		keys = append(keys, "condition."+string(c))
	}
	for _, a := range []AlarmState{Normal, UnackActive, AckedActive, UnackRTN, LatchedUnack, LatchedAcked, Shelved, SuppressedByDesign, OutOfService} {
		keys = append(keys, "alarm."+string(a))
	}
	for _, a := range []alerts.ActionKind{alerts.Acknowledge, alerts.Shelve, alerts.Unshelve, alerts.Reset, alerts.OutOfService, alerts.InService, alerts.Trimmed,
		alerts.Restrung, alerts.Note} {
		keys = append(keys, "done."+string(a), "step."+string(a))
	}
	for _, e := range []alerts.EventKind{alerts.Raised, alerts.Updated, alerts.Returned, alerts.Escalated} {
		keys = append(keys, "step."+string(e))
	}
	for _, m := range []MarkKind{MarkTrimmed, MarkRestrung, MarkNote, MarkOut, MarkAlarm, MarkTurnout, MarkDone} {
		keys = append(keys, "mark."+string(m))
	}
	for _, k := range keys {
		if !w.has(k) {
			t.Errorf("%q has no text", k)
		}
	}
}

func TestUnknownLanguageSaysWhatToDo(t *testing.T) {
	if _, err := NewLook("xx"); err == nil || !strings.Contains(err.Error(), "hint: ") {
		t.Errorf("got %v, want an error with a hint", err)
	}
}

func TestSpansAndDates(t *testing.T) {
	w, err := loadWords("en")
	if err != nil {
		t.Fatal(err)
	}
	for d, want := range map[time.Duration]string{-time.Second: "0 s", 24 * time.Second: "24 s", 3 * time.Minute: "3 min", 130 * time.Minute: "2 h 10 min",
		3 * time.Hour: "3 h", 26 * time.Hour: "26 h", 72 * time.Hour: "3 days"} {
		if got := w.span(d); got != want {
			t.Errorf("span(%v) = %q, want %q", d, got, want)
		}
	}
	now := time.Date(2026, 6, 18, 0, 0, 0, 0, time.UTC)
	if got := w.date(now.AddDate(-1, 0, 0), now); got != "Wed 18 Jun 2025" {
		t.Errorf("a year ago is %q", got)
	}
}
