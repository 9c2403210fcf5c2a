package web

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"nightwire/ingest/farm"
)

// laidFarm is the fake farm, in which lane needed less until six hours ago and brook was strung then.
func laidFarm(t *testing.T) *fakeFarm {
	t.Helper()
	f := newFake()
	o, err := f.Overview(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var was, is farm.Layout
	for _, z := range o.Zones {
		zone := farm.Zone{Name: z.Name, FedBy: z.FedBy, LengthM: z.LengthM, MinimumVolts: z.MinimumKV * 1000}
		is.Zones = append(is.Zones, zone)
		if z.Name == "lane" {
			zone.MinimumVolts = 1200
		}
		if z.Name != "brook" {
			was.Zones = append(was.Zones, zone)
		}
	}
	f.layouts = farm.History{{From: f.now.AddDate(0, 0, -30), Layout: was}, {From: f.now.Add(-6 * time.Hour), Layout: is}}
	return f
}

// TestSparkOfADayWithAChange draws the minimum only where it holds: three quarters of the way along for lane, whose day
// ends now, and all along for the others.
func TestSparkOfADayWithAChange(t *testing.T) {
	_, page := newBrowser(t, serve(t, options(laidFarm(t)))).do("GET", "/", nil)
	lows := map[string]bool{}
	for _, m := range regexp.MustCompile(`class="low" d="M([\d.]+) [\d.]+l`).FindAllStringSubmatch(page, -1) {
		lows[m[1]] = true
	}
	if !lows["0"] || !lows["750"] {
		t.Errorf("minimums begin at %v of 1000, want some at 0 and lane's at 750", lows)
	}
}

// TestZonesOfThen leaves out of a night, and of a week, the zones that were strung since.
func TestZonesOfThen(t *testing.T) {
	f := laidFarm(t)
	b := newBrowser(t, serve(t, options(f)))
	for _, path := range []string{"/night?date=" + f.now.AddDate(0, 0, -5).Format(time.DateOnly), "/week?date=" + f.now.AddDate(0, 0, -14).Format(time.DateOnly)} {
		_, page := b.do("GET", path, nil)
		if rows := strings.Count(page, `<th scope="row">lane`); rows != 1 || strings.Contains(page, `<th scope="row">brook`) {
			t.Errorf("%s has lane %d times, and brook: %t; want lane alone of the two", path, rows, strings.Contains(page, `<th scope="row">brook`))
		}
	}
}
