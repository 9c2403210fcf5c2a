package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

func TestSayTheWeather(t *testing.T) {
	// It is 07:13 in Dublin, an hour ahead of UTC.
	june := func(day, hour, minute int) time.Time { return time.Date(2026, 6, day, hour-1, minute, 0, 0, time.UTC) }
	now := newFake().now
	for _, tt := range []struct {
		name   string
		form   url.Values
		want   *alerts.Weather
		refuse string
	}{
		{"rain last night with a gauge", url.Values{"sky": {"rain"}, "when": {"night"}, "mm": {" 4,5 "}},
			&alerts.Weather{Sky: alerts.Rain, From: june(17, 18, 0), To: now, RainMM: ptr(4.5)}, ""},
		{"rain yesterday without a gauge", url.Values{"sky": {"rain"}, "when": {"yesterday"}, "mm": {""}},
			&alerts.Weather{Sky: alerts.Rain, From: june(17, 0, 0), To: june(18, 0, 0)}, ""},
		{"dry ground; millimetres are not for it", url.Values{"sky": {"dry"}, "when": {"today"}, "mm": {"7"}},
			&alerts.Weather{Sky: alerts.Dry, From: june(18, 0, 0), To: now}, ""},
		{"no rain at all is a figure", url.Values{"sky": {"rain"}, "when": {"today"}, "mm": {"0"}},
			&alerts.Weather{Sky: alerts.Rain, From: june(18, 0, 0), To: now, RainMM: ptr(0.0)}, ""},
		{"words for a figure", url.Values{"sky": {"rain"}, "when": {"today"}, "mm": {"lots"}}, nil, "Write the rain as millimetres"},
		{"less than none", url.Values{"sky": {"rain"}, "when": {"today"}, "mm": {"-1"}}, nil, "Write the rain as millimetres"},
		{"not a number", url.Values{"sky": {"rain"}, "when": {"today"}, "mm": {"NaN"}}, nil, "Write the rain as millimetres"},
		{"a sea of it", url.Values{"sky": {"rain"}, "when": {"today"}, "mm": {"1e9"}}, nil, "Write the rain as millimetres"},
		{"frogs", url.Values{"sky": {"frogs"}, "when": {"today"}}, nil, "not complete"},
		{"some day", url.Values{"sky": {"rain"}, "when": {"someday"}}, nil, "not complete"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake()
			b := newBrowser(t, serve(t, options(f)))
			tt.form.Set("token", b.token("/"))
			tt.form.Set("action", "weather")
			tt.form.Set("by", "Ines")
			_, answer := b.do("POST", "/act", tt.form)
			acts := f.taken()
			if tt.refuse != "" {
				if len(acts) != 0 || !strings.Contains(answer, tt.refuse) {
					t.Errorf("took %+v and said %q, want nothing taken and %q", acts, answer, tt.refuse)
				}
				return
			}
			want := []alerts.Action{{Time: now, Kind: alerts.Weathered, Source: "site", By: "Ines", Weather: tt.want}}
			if diff := cmp.Diff(want, acts); diff != "" {
				t.Errorf("taken (-want +got):\n%s", diff)
			}
		})
	}
}
