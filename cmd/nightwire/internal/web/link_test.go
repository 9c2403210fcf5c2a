package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// TestLinkSaysHowItStands opens and presses a link hours after its message: whatever became of the alarm meanwhile, the
// page says so, and only what still wants an answer is answered.
func TestLinkSaysHowItStands(t *testing.T) {
	const button = `<button class="main">`
	for _, tt := range []struct {
		name    string
		change  func(f *fakeFarm, a *Alarm)
		heading string
		says    string
		wanted  bool
	}{
		{"nobody has it", func(*fakeFarm, *Alarm) {}, "Somebody is needed at the fence", "Walk there first.", true},
		{"another has it", func(f *fakeFarm, a *Alarm) { a.State, a.AckedBy, a.AckedAt = AckedActive, "Ines", f.now }, "Ines has it", "Ines has it since 07:13", false},
		{"pressed before", func(f *fakeFarm, a *Alarm) { a.State, a.AckedBy, a.AckedAt = AckedActive, "Tom", f.now }, "You have it", "Tom has it since 07:13", false},
		{"over, unseen", func(f *fakeFarm, a *Alarm) { a.State, a.Returned = UnackRTN, f.now.Add(-time.Minute) }, "It is over", "over 07:12", true},
		{"over", func(f *fakeFarm, a *Alarm) {
			a.State, a.Returned, a.AckedBy, a.AckedAt = Normal, f.now.Add(-time.Minute), "Ines", f.now.Add(-2*time.Minute)
		}, "It is over", "Ines had it, 07:11", false},
		{"shelved", func(f *fakeFarm, a *Alarm) { a.State, a.Until = Shelved, f.now.Add(time.Hour) }, "It is put aside for a time", "shelved until 08:13", false},
		{"not known any more", func(f *fakeFarm, _ *Alarm) { f.alarms = nil }, "Somebody is needed at the fence", "20260618T060200Z-lane-dead", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake().alarmed()
			tt.change(f, &f.alarms[0])
			b := newBrowser(t, serve(t, options(f)))
			_, page := b.do("GET", "/a/good-token", nil)
			for _, want := range []string{"<h1>" + tt.heading + "</h1>", tt.says} {
				if !strings.Contains(page, want) {
					t.Errorf("opened, it lacks %q:\n%s", want, page)
				}
			}
			if got := strings.Contains(page, button); got != tt.wanted {
				t.Errorf("there is a button: %t, want %t", got, tt.wanted)
			}
			heading, acts := tt.heading, 0
			if tt.wanted {
				heading, acts = "You have it", 1
			}
			for _, when := range []string{"pressed", "pressed again"} {
				res, page := b.do("POST", "/a/good-token", url.Values{})
				if res.StatusCode != http.StatusOK || !strings.Contains(page, "<h1>"+heading+"</h1>") {
					t.Errorf("%s: %s, %s; want %q", when, res.Status, page, heading)
				}
				if tt.name == "not known any more" {
					break // nothing tells that it was answered
				}
			}
			if got := len(f.taken()); got != acts {
				t.Errorf("pressing did %d things, want %d", got, acts)
			}
		})
	}
}
