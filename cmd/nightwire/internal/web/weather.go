package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightwire/alerts"
)

// skies lists what a person may say of the weather.
func skies() []alerts.Sky { return []alerts.Sky{alerts.Rain, alerts.Dry, alerts.Frost, alerts.Snow} }

// spells lists when a person may say that it was.
func spells() []string { return []string{"today", "night", "yesterday"} }

// mostRainMM is more than falls in a day where there are fences to keep; the world's record is 1,825 mm (Foc-Foc,
// Réunion, 1966; from memory).
const mostRainMM = 2000

// readWeather reads what somebody says of the weather; its error is a key of the words.
func (s *Server) readWeather(form url.Values, now time.Time) (*alerts.Weather, error) {
	w := &alerts.Weather{Sky: alerts.Sky(form.Get("sky"))}
	if !slices.Contains(skies(), w.Sky) {
		return nil, errors.New("refuse.form")
	}
	var ok bool
	if w.From, w.To, ok = spell(form.Get("when"), now, s.opts.Location); !ok {
		return nil, errors.New("refuse.form")
	}
	text := strings.Replace(strings.TrimSpace(form.Get("mm")), ",", ".", 1)
	if text == "" || w.Sky != alerts.Rain {
		return w, nil
	}
	mm, err := strconv.ParseFloat(text, 64)
	if err != nil || !(mm >= 0 && mm <= mostRainMM) {
		return nil, errors.New("refuse.mm")
	}
	w.RainMM = &mm
	return w, nil
}

// spell returns the stretch of time that a person means, up to now, in the farm's own time.
func spell(when string, now time.Time, loc *time.Location) (from, to time.Time, ok bool) {
	if loc == nil {
		loc = time.UTC
	}
	y, m, d := now.In(loc).Date()
	hour := func(d, h int) time.Time { return time.Date(y, m, d, h, 0, 0, 0, loc).UTC() }
	switch when {
	case "today":
		return hour(d, 0), now, true
	case "night":
		return hour(d-1, nightFrom), earlier(hour(d, nightTo), now), true
	case "yesterday":
		return hour(d-1, 0), hour(d, 0), true
	}
	return from, to, false
}

// Skies lists what the form of the weather offers.
func (f *frame) Skies() []alerts.Sky { return skies() }

// Spells lists the stretches of time that it offers.
func (f *frame) Spells() []string { return spells() }

// Measured says what the station measured last, part by part; nothing without one.
func (f *frame) Measured() (out []string) {
	w := &f.Weather
	add := func(key string, v *float64, digits int) {
		if v != nil {
			out = append(out, f.words.text("weather."+key, "v", f.Num(v, digits)))
		}
	}
	if w.RainMM != nil && *w.RainMM == 0 {
		add("norain", w.RainMM, 0)
	} else {
		add("rain", w.RainMM, 1)
	}
	add("temp", w.TempC, 1)
	add("snow", w.SnowCM, 0)
	add("wind", w.WindMS, 0)
	add("humidity", w.Humidity, 0)
	return out
}

// SaidText says what somebody said of the weather: "rain 12 mm, Mon 2 Nov 18:00 to 08:00".
func (f *frame) SaidText(s Said) string {
	text := f.words.text("sky." + string(s.Sky))
	if s.RainMM != nil {
		text += " " + f.words.text("weather.mm", "v", f.Num(s.RainMM, 1))
	}
	return fmt.Sprintf("%s, %s", text, f.words.text("plot.span", "from", f.Clock(s.From), "to", f.Clock(s.To)))
}
