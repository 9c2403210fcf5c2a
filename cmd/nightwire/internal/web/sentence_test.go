package web

import (
	"strings"
	"testing"
)

func TestFirstSentence(t *testing.T) {
	for _, tt := range []struct{ name, text, first, rest string }{
		{"what and what to do", "Lane is low at 1.8 kV: wire touching earth. Walk there first. Then look.", "Lane is low at 1.8 kV: wire touching earth.", "Walk there first. Then look."},
		{"one sentence", "Lane is back at 5.2 kV.", "Lane is back at 5.2 kV.", ""},
		{"a zone with a number", "No. 3 is dead. Walk there.", "No. 3 is dead.", "Walk there."},
		{"a saint's gate", "Lane is low, near St. Mary's gate. Walk there.", "Lane is low, near St. Mary's gate.", "Walk there."},
		{"a saint's field", "St. Mary is dead. Walk there.", "St. Mary is dead.", "Walk there."},
		{"a short name", "Lane is dead: it ends by A1. Walk there.", "Lane is dead: it ends by A1.", "Walk there."},
		{"no full stop", "Lane is dead", "Lane is dead", ""},
		{"nothing", "", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if first, rest := firstSentence(tt.text); first != tt.first || rest != tt.rest {
				t.Errorf("got %q and %q", first, rest)
			}
		})
	}
}

// An alarm's place is said once, in its own text, and what to do stands below what is wrong.
func TestAlarmIsSaidOnce(t *testing.T) {
	f := newFake().alarmed()
	f.alarms[0].Text = "Lane is low: wire touching earth about 120 m along lane (90 to 150 m), near the lower gate. Measure cartshed alone, then walk there."
	b := newBrowser(t, serve(t, options(f)))
	for path, tag := range map[string]string{"/": `<p class="text">`, "/alarm/" + f.alarms[0].ID: "<h1>"} {
		_, page := b.do("GET", path, nil)
		if !strings.Contains(page, tag+"Lane is low: wire touching earth about 120 m along lane (90 to 150 m), near the lower gate.</") {
			t.Errorf("%s does not begin with what is wrong", path)
		}
		if !strings.Contains(page, "<p>Measure cartshed alone, then walk there.</p>") || strings.Contains(page, "Walk first") {
			t.Errorf("%s does not say once what to do", path)
		}
	}
}
