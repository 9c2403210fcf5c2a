package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// upkeeps gives the work that comes back.
type upkeeps interface {
	Upkeep(ctx context.Context) (Upkeep, error)
}

// Upkeep is the work that comes back, and how the earth is tested.
type Upkeep struct {
	Tasks []UpkeepTask // the first due first
	Steps []UpkeepStep // of the earth test
	Tests []string     // what earlier tests meant, newest first
	Trips []string     // how often each zone alarmed within the last year, most first
	Rule  string       // when it is said that a zone trips after some weather; empty when it is not said of any
}

// UpkeepTask is work that comes back.
type UpkeepTask struct {
	Name     string // what a form calls it
	Text     string
	Standing string
	Last     time.Time // zero for never
	DueOn    time.Time
	Due      bool
	Test     bool // it is kept with its values, by the form of the earth test
}

// UpkeepStep is one step of the earth test, with its source.
type UpkeepStep struct{ Do, Standing string }

// upkeepPage is the body of the page.
type upkeepPage struct {
	Upkeep
	Cautions []alerts.Caution
}

// upkeep shows what work is due, and goes through the earth test.
func (s *Server) upkeep(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "upkeep.title")
	if f == nil {
		return
	}
	if s.opts.Upkeeps == nil {
		s.refuse(w, r, http.StatusNotFound, "refuse.upkeep")
		return
	}
	u, err := s.opts.Upkeeps.Upkeep(r.Context())
	if err != nil {
		s.opts.Log.Error("upkeep not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.upkeep")
		return
	}
	f.Body = upkeepPage{u, alerts.Cautions(alerts.AboutEarth, alerts.AboutWork)}
	s.render(w, r, http.StatusOK, "upkeep", f)
}

// mostTyped is more than any meter shows, and far from where floats end.
const mostTyped = 1e6

// readDone reads what was done from a form; the values of an earth test with it.
func readDone(a *alerts.Action, form url.Values) error {
	a.Source, a.Task = farm.Source(form.Get("source")), form.Get("task")
	if a.Source == "" {
		a.Source = farm.Site
	}
	if a.Task == "" || len(a.Task) > 40 || len(a.Source) > 200 {
		return errors.New("refuse.form")
	}
	if !form.Has("stake_v") {
		return nil
	}
	number := func(key string) float64 {
		v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(form.Get(key)), ",", ".", 1), 64)
		if err != nil || math.Abs(v) > mostTyped {
			return math.NaN()
		}
		return v
	}
	a.Earth = &alerts.EarthTest{StakeVolts: number("stake_v"), FenceVolts: 1000 * number("fence_kv")}
	if math.IsNaN(a.Earth.StakeVolts) || math.IsNaN(a.Earth.FenceVolts) {
		return errors.New("refuse.numbers")
	}
	return nil
}
