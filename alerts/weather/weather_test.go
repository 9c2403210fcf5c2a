package weather

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

var now = time.Date(2026, 8, 20, 7, 30, 0, 0, time.UTC)

func ptr(v float64) *float64 { return &v }

// hours returns n hours that end with the one now is in, each as make says; ago counts hours back from it.
func hours(n int, make func(ago int, h *Hour)) []Hour {
	out := []Hour{}
	for ago := n - 1; ago >= 0; ago-- {
		h := Hour{From: now.Truncate(time.Hour).Add(-time.Duration(ago) * time.Hour)}
		make(ago, &h)
		out = append(out, h)
	}
	return out
}

func dry(int, *Hour) {}

// gauge is a rain gauge that measured nothing but once, so many hours ago.
func gauge(at int, mm float64) func(int, *Hour) {
	return func(ago int, h *Hour) {
		h.RainMM = ptr(0)
		if ago == at {
			h.RainMM = ptr(mm)
		}
	}
}

func said(sky alerts.Sky, ago time.Duration, mm *float64) alerts.Action {
	at := now.Add(-ago)
	return alerts.Action{Time: at, Kind: alerts.Weathered, By: "Ines", Weather: &alerts.Weather{Sky: sky, From: at.Add(-2 * time.Hour), To: at, RainMM: mm}}
}

// hintCase is weather and what each hint says of it first.
type hintCase struct {
	name string
	r    Record
	want []string
}

func dryCases() []hintCase {
	return []hintCase{
		{"nothing known", Record{}, nil},
		{"a mild wet day", Record{Hours: hours(24, func(_ int, h *Hour) { h.RainMM, h.LowestC, h.SnowCM = ptr(1), ptr(8), ptr(0) })}, nil},

		{"fifteen dry days", Record{Hours: hours(15*24+1, gauge(-1, 0))}, []string{"Dry for 15 days."}},
		{"fourteen dry days", Record{Hours: hours(14*24+1, gauge(-1, 0))}, nil},
		{"a shower a day under 1 mm does not end it", Record{Hours: hours(17*24, gauge(100, 0.8))}, []string{"Dry for 17 days."}},
		{"1 mm does", Record{Hours: hours(40*24, gauge(9*24+5, 1))}, nil},
		{"1 mm before the spell gives its length", Record{Hours: hours(40*24, gauge(20*24+5, 1))}, []string{"Dry for 20 days."}},
		{"as far back as is known", Record{Hours: hours(60*24, gauge(-1, 0))}, []string{"Dry for 60 days or more."}},
		{"a station that was away: missing is not dry", Record{Hours: hours(30*24, func(ago int, h *Hour) {
			if ago < 5*24 || ago > 5*24+12 {
				h.RainMM = ptr(0)
			}
		})}, nil},
		{"a station without a rain gauge", Record{Hours: hours(30*24, func(_ int, h *Hour) { h.LowestC = ptr(12) })}, nil},
		{"no station, and nobody said it rained: nothing is known", Record{Hours: hours(30*24, dry)}, nil},
		{"measured dry, but somebody saw rain", Record{Hours: hours(30*24, gauge(-1, 0)), Said: []alerts.Action{said(alerts.Rain, 50*time.Hour, nil)}}, nil},
		{"said to be dry", Record{Said: []alerts.Action{said(alerts.Dry, 3*24*time.Hour, nil)}}, []string{"Dry ground, as said on Monday 17 August."}},
		{"said to be dry, rain since", Record{Said: []alerts.Action{said(alerts.Dry, 3*24*time.Hour, nil), said(alerts.Rain, 24*time.Hour, nil)}}, nil},
		{"said to be dry, a few drops since", Record{Said: []alerts.Action{said(alerts.Dry, 3*24*time.Hour, nil), said(alerts.Rain, 24*time.Hour, ptr(0.4))}},
			[]string{"Dry ground, as said on Monday 17 August."}},
		{"said to be dry long ago", Record{Said: []alerts.Action{said(alerts.Dry, 14*24*time.Hour, nil)}}, nil},
	}
}

func coldCases() []hintCase {
	return []hintCase{
		{"snow measured", Record{Hours: hours(3, func(_ int, h *Hour) { h.SnowCM = ptr(12) })}, []string{"Snow lies, 12 cm at 07:00."}},
		{"a dusting", Record{Hours: hours(3, func(_ int, h *Hour) { h.SnowCM = ptr(0.4) })}, nil},
		{"snow long ago, station silent since", Record{Hours: hours(12, func(ago int, h *Hour) {
			if ago > 8 {
				h.SnowCM = ptr(12)
			}
		})}, nil},
		{"snow said", Record{Said: []alerts.Action{said(alerts.Snow, time.Hour, nil)}}, []string{"Snow lies, as said today."}},
		{"snow said two days ago", Record{Said: []alerts.Action{said(alerts.Snow, 48*time.Hour, nil)}}, nil},
		{"snow said, the station says it is gone", Record{Hours: hours(3, func(_ int, h *Hour) { h.SnowCM = ptr(0) }),
			Said: []alerts.Action{said(alerts.Snow, time.Hour, nil)}}, nil},

		{"frost measured", Record{Hours: hours(24, func(ago int, h *Hour) { h.LowestC = ptr(float64(ago) - 3.5) })}, []string{"Frost, down to −3.5 °C about 07:00."}},
		{"exactly 0 °C is frost", Record{Hours: hours(24, func(ago int, h *Hour) { h.LowestC = ptr(float64(ago)) })}, []string{"Frost, down to 0.0 °C about 07:00."}},
		{"frost the night before last", Record{Hours: hours(48, func(ago int, h *Hour) {
			h.LowestC = ptr(4)
			if ago > 25 {
				h.LowestC = ptr(-4)
			}
		})}, nil},
		{"ground frost said, the air warmer", Record{Hours: hours(24, func(_ int, h *Hour) { h.LowestC = ptr(2) }),
			Said: []alerts.Action{said(alerts.Frost, time.Hour, nil)}}, []string{"Frost, as said today."}},
		{"snow and frost", Record{Hours: hours(3, func(_ int, h *Hour) { h.SnowCM, h.LowestC = ptr(12), ptr(-6) })},
			[]string{"Snow lies, 12 cm at 07:00.", "Frost, down to −6.0 °C about 05:00."}},
	}
}

func TestHints(t *testing.T) {
	for _, tt := range slices.Concat(dryCases(), coldCases()) {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, h := range tt.r.Hints(now, time.UTC) {
				got = append(got, h.What)
				if len(h.Brief) > 65 || h.Brief == "" || h.Why == "" || h.Do == "" || h.Source == "" || !strings.HasPrefix(h.Line(), h.What+" ") {
					t.Errorf("%s is not said whole: %+v", h.Kind, h)
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("hints (-want +got):\n%s", diff)
			}
		})
	}
}

// Each hint says where its facts come from, or that they have no source.
func TestHintsSayTheirStanding(t *testing.T) {
	cold := hours(15*24+1, func(_ int, h *Hour) { h.RainMM, h.LowestC, h.SnowCM = ptr(0), ptr(-8), ptr(30) })
	want := map[Kind][]string{
		Snow:    {"University of Illinois", "Agdex 684-7", "common practice, no source"},
		Frost:   {"Agdex 684-7", "Getting Down to Earth", "common practice, no source"},
		Drought: {"382.600-1", "Queensland DPI", "efa.fences.org"},
	}
	for _, h := range (Record{Hours: cold}).Hints(now, time.UTC) {
		for _, part := range want[h.Kind] {
			if !strings.Contains(h.Source, part) {
				t.Errorf("%s has its standing as %q, want %q in it", h.Kind, h.Source, part)
			}
		}
		delete(want, h.Kind)
	}
	for kind := range want {
		t.Errorf("no hint of %s", kind)
	}
}

func TestRain(t *testing.T) {
	at := func(h int) time.Time { return now.Truncate(time.Hour).Add(time.Duration(h) * time.Hour) }
	r := Record{
		Hours: []Hour{{From: at(-9), RainMM: ptr(0.1)}, {From: at(-8), RainMM: ptr(0.2)}, {From: at(-7), RainMM: ptr(2)}, {From: at(-6)}, {From: at(-5), RainMM: ptr(1)}},
		Said: []alerts.Action{
			{Kind: alerts.Weathered, Weather: &alerts.Weather{Sky: alerts.Rain, From: at(-30), To: at(-20), RainMM: ptr(11)}},
			{Kind: alerts.Weathered, Weather: &alerts.Weather{Sky: alerts.Frost, From: at(-30), To: at(-20)}},
			{Kind: alerts.Weathered, Weather: &alerts.Weather{Sky: alerts.Rain, From: at(-6), To: at(-5)}},
		},
	}
	want := []Spell{{at(-30), at(-20), ptr(11)}, {at(-8), at(-4), ptr(3.2)}}
	if diff := cmp.Diff(want, r.Rain()); diff != "" {
		t.Errorf("spells (-want +got):\n%s", diff)
	}
	if mm, ok := r.RainMM(at(-24), now); !ok || mm < 3.29 || mm > 3.31 {
		t.Errorf("a day's rain is %g, %t; want 3.3 mm", mm, ok)
	}
	if _, ok := r.RainMM(at(-3), now); ok {
		t.Error("rain is known for hours that nobody measured")
	}
}
