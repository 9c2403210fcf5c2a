package web

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestTurnoutPage shows a no with its reasons, what is left to the keeper, what is well, and the cautions.
func TestTurnoutPage(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	if _, page := b.do("GET", "/", nil); !strings.Contains(page, `<a href="/turnout">May they go out?</a>`) {
		t.Error("the first page has no way to the turnout check")
	}
	if _, page := b.do("GET", "/zone/lane", nil); !strings.Contains(page, `<a href="/turnout?zone=lane">`) {
		t.Error("a zone's page has no way to the turnout check")
	}
	_, page := b.do("GET", "/turnout", nil)
	for _, want := range []string{"<h1>Yes: let them out.</h1>", "kV at its far end", "not measured: test the stakes", "never proof that a wire is dead",
		"looking at the stock every day", "The margin of a quarter is this program", "Keep this answer"} {
		if !strings.Contains(page, want) {
			t.Errorf("a yes does not say %q:\n%s", want, page)
		}
	}
	f.asked = &Turnout{Zones: []string{"lane"}, Checks: []TurnoutCheck{{"lane", "no", "it dipped <by> 20 %"}, {"lane", "yes", "heard 40 s ago"}}}
	_, page = b.do("GET", "/turnout?zone=lane", nil)
	for _, want := range []string{"<h1>No: not yet.</h1>", "<b>lane</b>: it dipped &lt;by&gt; 20 %", "<b>lane</b>: heard 40 s ago",
		`<input type="checkbox" name="zone" value="lane" checked>`, `<input type="hidden" name="zone" value="lane">`} {
		if !strings.Contains(page, want) {
			t.Errorf("a no does not have %q:\n%s", want, page)
		}
	}
	if strings.Contains(page, `value="hazel" checked`) {
		t.Error("a zone is ticked that was not asked for")
	}
	if diff := cmp.Diff([]TurnoutAsk{{}, {Zones: []string{"lane"}}}, f.asks, cmp.Comparer(func(a, b []string) bool { return strings.Join(a, " ") == strings.Join(b, " ") })); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
}

// TestTurnoutSaysOnce has a link that is down told once, and not for each of the zones behind it.
func TestTurnoutSaysOnce(t *testing.T) {
	f := newFake()
	f.asked = &Turnout{Zones: []string{"lane", "hazel"}, Checks: []TurnoutCheck{{"lane", "no", "not heard"}, {"lane", "no", "an alarm is on"},
		{"hazel", "no", "not heard"}, {"hazel", "note", "not heard"}, {"brook", "no", "not heard"}, {"brook", "no", "it dipped"}}}
	_, page := newBrowser(t, serve(t, options(f))).do("GET", "/turnout", nil)
	for _, want := range []string{"<li><b>lane, hazel and brook</b>: not heard</li><li><b>lane</b>: an alarm is on</li><li><b>brook</b>: it dipped</li>",
		"<li><b>hazel</b>: not heard</li>"} {
		if !strings.Contains(page, want) {
			t.Errorf("lacks %q:\n%s", want, page)
		}
	}
}

// TestTurnoutIsKept presses the button: the question is asked anew for the zones shown, with the name, and kept.
func TestTurnoutIsKept(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	b.do("POST", "/name", url.Values{"token": {b.token("/")}, "name": {"Ines"}})
	res, _ := b.do("POST", "/turnout", url.Values{"token": {b.token("/turnout?zone=lane&zone=hazel")}, "zone": {"lane", "hazel"}})
	if at := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || at != "/turnout?done=turnout_yes&zone=lane&zone=hazel" {
		t.Fatalf("got %d to %q", res.StatusCode, at)
	}
	want := TurnoutAsk{Zones: []string{"lane", "hazel"}, By: "Ines", Keep: true}
	if diff := cmp.Diff(want, f.asks[len(f.asks)-1]); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	if _, page := b.do("GET", res.Header.Get("Location"), nil); !strings.Contains(page, "Kept: yes.") {
		t.Error("the page does not say that the answer was kept")
	}
	f.asked = &Turnout{Zones: []string{"lane"}, Checks: []TurnoutCheck{{"lane", "no", "not heard"}}}
	res, _ = b.do("POST", "/turnout", url.Values{"token": {b.token("/turnout")}, "zone": {"lane"}})
	if at := res.Header.Get("Location"); at != "/turnout?done=turnout_no&zone=lane" {
		t.Errorf("a no leads to %q", at)
	}
}

func TestTurnoutRefusals(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	token := b.token("/turnout")
	if res, page := b.do("GET", "/turnout?zone=nowhere", nil); res.StatusCode != http.StatusNotFound || !strings.Contains(page, "no zone of that name") {
		t.Errorf("an unknown zone got %d", res.StatusCode)
	}
	if res, _ := b.do("POST", "/turnout", url.Values{"token": {token}, "zone": {"nowhere"}}); res.StatusCode != http.StatusNotFound {
		t.Errorf("keeping for an unknown zone got %d", res.StatusCode)
	}
	f.actErr = errors.New("the store cannot be read")
	if res, page := b.do("GET", "/turnout", nil); res.StatusCode != http.StatusServiceUnavailable || !strings.Contains(page, "check cannot be made") {
		t.Errorf("a check that fails got %d", res.StatusCode)
	}
	if res, _ := b.do("POST", "/turnout", url.Values{"token": {token}}); res.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("keeping a check that fails got %d", res.StatusCode)
	}
	opts := options(newFake())
	opts.Turnouts = nil
	if res, _ := newBrowser(t, serve(t, opts)).do("GET", "/turnout", nil); res.StatusCode != http.StatusNotFound {
		t.Errorf("without a check the page got %d", res.StatusCode)
	}
}
