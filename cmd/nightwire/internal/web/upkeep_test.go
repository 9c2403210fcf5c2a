package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"nightwire/alerts"
)

// TestUpkeepPage shows what is due and the earth test with its cautions, and keeps what was done.
func TestUpkeepPage(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	_, page := b.do("GET", "/upkeep", nil)
	for _, want := range []string{"Walk the line", "Due now", "Switch the energizer off.", "180 V &lt;on&gt; the stakes", "common practice, no source", `name="stake_v"`,
		"Lane alarmed 7 times, mostly intermittent, mostly after rain", "After: within 12 h of it"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	post := func(v url.Values) *http.Response {
		v.Set("token", b.token("/upkeep"))
		v.Set("action", "done")
		v.Set("back", "/upkeep")
		res, _ := b.do("POST", "/act", v)
		return res
	}
	if res := post(url.Values{"task": {"walk"}}); res.StatusCode != http.StatusSeeOther {
		t.Errorf("done is answered by %s", res.Status)
	}
	if res := post(url.Values{"task": {"earth-test"}, "source": {"energizer/cartshed"}, "fence_kv": {"1,4"}, "stake_v": {"180"}}); res.StatusCode != http.StatusSeeOther {
		t.Errorf("an earth test is answered by %s", res.Status)
	}
	for name, v := range map[string]url.Values{
		"no task": {}, "no number": {"task": {"earth-test"}, "fence_kv": {"much"}, "stake_v": {"180"}},
		"endless": {"task": {"earth-test"}, "fence_kv": {"1.4"}, "stake_v": {"Inf"}}, "half": {"task": {"earth-test"}, "stake_v": {"180"}},
	} {
		if res := post(v); res.StatusCode != http.StatusBadRequest {
			t.Errorf("%s is answered by %s", name, res.Status)
		}
	}
	if len(f.acts) != 2 {
		t.Fatalf("kept %+v, want two", f.acts)
	}
	if a := f.acts[0]; a.Kind != alerts.Done || a.Source != "site" || a.Task != "walk" || a.Earth != nil {
		t.Errorf("kept %+v", a)
	}
	if a := f.acts[1]; a.Source != "energizer/cartshed" || a.Earth == nil || *a.Earth != (alerts.EarthTest{StakeVolts: 180, FenceVolts: 1400}) {
		t.Errorf("kept %+v, %+v", a, a.Earth)
	}
}
