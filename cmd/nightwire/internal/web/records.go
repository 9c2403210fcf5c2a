package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

const mostListed = 200 // alarms on one page

// alarmsPage is the body of the history of alarms.
type alarmsPage struct {
	Ask        AlarmFilter
	Days       int
	Alarms     []Alarm
	More       bool
	Sources    []farm.Source
	Conditions []alerts.Condition
	Priorities []alerts.Priority
	Spans      []int
}

func conditions() []alerts.Condition {
	return []alerts.Condition{alerts.Dead, alerts.Low, alerts.Dropping, alerts.Growth, alerts.Intermittent, alerts.Silent, alerts.Off,
		alerts.Weak, alerts.Earth, alerts.FaultySensor, alerts.BadJoint,
		alerts.Test, alerts.Channel, alerts.Queue, alerts.Storage, alerts.Clock}
}

func (s *Server) alarms(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "alarms.title")
	if f == nil {
		return
	}
	q := r.URL.Query()
	v := alarmsPage{Days: 30, Conditions: conditions(), Priorities: []alerts.Priority{alerts.High, alerts.Medium, alerts.LowPriority},
		Spans: []int{7, 30, 120, 400}, Sources: f.sources()}
	v.Ask = AlarmFilter{Source: farm.Source(q.Get("source")), Condition: alerts.Condition(q.Get("condition")), Limit: mostListed + 1}
	if p := q.Get("priority"); p != "" && v.Ask.Priority.UnmarshalText([]byte(p)) != nil {
		s.refuse(w, r, http.StatusBadRequest, "refuse.form")
		return
	}
	if n, err := strconv.Atoi(q.Get("days")); err == nil && n > 0 && n < 4000 {
		v.Days = n
	}
	v.Ask.From, v.Ask.To = f.Now.AddDate(0, 0, -v.Days), f.Now
	var err error
	if v.Alarms, err = s.alarmsOf(r.Context(), v.Ask); err != nil {
		s.opts.Log.Error("alarms not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
		return
	}
	if v.More = len(v.Alarms) > mostListed; v.More {
		v.Alarms = v.Alarms[:mostListed]
	}
	f.Body = v
	s.render(w, r, http.StatusOK, "alarms", f)
}

func (s *Server) alarmsOf(ctx context.Context, ask AlarmFilter) ([]Alarm, error) {
	if s.opts.Alarms == nil {
		return nil, nil
	}
	return s.opts.Alarms.Alarms(ctx, ask)
}

// sources lists everything that an alarm can be about.
func (f *frame) sources() []farm.Source {
	out := []farm.Source{farm.Site}
	for i := range f.Energizers {
		out = append(out, f.Energizers[i].Source)
	}
	for i := range f.Zones {
		out = append(out, f.Zones[i].Source)
	}
	return out
}

// alarm shows one alarm with all that happened to it.
func (s *Server) alarm(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "alarm.title")
	if f == nil {
		return
	}
	if s.opts.Alarms == nil {
		s.refuse(w, r, http.StatusNotFound, "refuse.noalarm")
		return
	}
	a, err := s.opts.Alarms.Alarm(r.Context(), r.PathValue("id"))
	switch {
	case errors.Is(err, ErrNoAlarm):
		s.refuse(w, r, http.StatusNotFound, "refuse.noalarm")
	case err != nil:
		s.opts.Log.Error("alarm not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
	default:
		f.Body = a
		s.render(w, r, http.StatusOK, "alarm", f)
	}
}

// The night watch runs from the evening round to the morning one. The hours are ours.
const (
	nightFrom = 18
	nightTo   = 8
)

// nightRow is what a zone or energizer did during a night.
type nightRow struct {
	Name     string
	Source   farm.Source
	LowestKV *float64
	LowestAt time.Time
	EndKV    *float64
	Unheard  time.Duration
	UnderMin bool
}

// nightPage is the body of a night's record.
type nightPage struct {
	Span
	Date           string // of its evening, for links
	Earlier, Later string
	Over           bool
	Rows           []nightRow
	Alarms         []Alarm
}

// night answers what the watch saw in one night.
func (s *Server) night(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "night.title")
	if f == nil {
		return
	}
	evening := f.evening(r.URL.Query().Get("date"))
	v := nightPage{Date: evening.Format(time.DateOnly), Earlier: evening.AddDate(0, 0, -1).Format(time.DateOnly)}
	v.From = time.Date(evening.Year(), evening.Month(), evening.Day(), nightFrom, 0, 0, 0, f.Location)
	v.To = time.Date(evening.Year(), evening.Month(), evening.Day()+1, nightTo, 0, 0, 0, f.Location)
	if v.Over = !v.To.After(f.Now); v.Over {
		v.Later = evening.AddDate(0, 0, 1).Format(time.DateOnly)
	}
	if err := s.nightInto(r.Context(), f, &v); err != nil {
		s.opts.Log.Error("night not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
		return
	}
	f.Body = v
	s.render(w, r, http.StatusOK, "night", f)
}

// evening returns the day on which the asked-for night begins; without one, that of the newest night begun.
func (f *frame) evening(date string) time.Time {
	now := f.local(f.Now)
	if d, err := time.ParseInLocation(time.DateOnly, date, f.Location); err == nil && !d.After(now) {
		return d
	}
	if now.Hour() < nightFrom {
		now = now.AddDate(0, 0, -1)
	}
	return time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, f.Location)
}

func (s *Server) nightInto(ctx context.Context, f *frame, v *nightPage) error {
	span := Span{v.From.UTC(), earlier(v.To, f.Now).UTC()}
	add := func(name string, src farm.Source, needs func(time.Time) float64, present *float64) error {
		if s.opts.History == nil || !span.To.After(span.From) {
			return nil
		}
		series, err := s.opts.History.Series(ctx, src, pulse.Volts, span, int(span.To.Sub(span.From)/(15*time.Minute))+1)
		if err != nil {
			return fmt.Errorf("read the night of %s: %w", src, err)
		}
		row := nightOf(name, src, needs, series)
		if !v.Over && present != nil && row.EndKV != nil {
			row.EndKV = present // a mean hides what has only just happened
		}
		v.Rows = append(v.Rows, row)
		return nil
	}
	nothing := func(time.Time) float64 { return 0 }
	for i := range f.Energizers {
		if e := &f.Energizers[i]; f.stoodIn(e.Source, span) {
			if err := add(e.Name, e.Source, nothing, e.OutputKV); err != nil {
				return err
			}
		}
	}
	for _, z := range f.zonesIn(span) {
		if err := add(z.Name, z.Source, func(t time.Time) float64 { return f.minimumAt(z, t) }, z.KV); err != nil {
			return err
		}
	}
	found, err := s.alarmsOf(ctx, AlarmFilter{Span: span, Limit: mostListed})
	if err != nil {
		return fmt.Errorf("read the night's alarms: %w", err)
	}
	for _, a := range found {
		if s.opts.Alarms != nil {
			if full, err := s.opts.Alarms.Alarm(ctx, a.ID); err == nil {
				a = full
			}
		}
		a.Steps = slices.DeleteFunc(a.Steps, func(st Step) bool { return st.At.Before(span.From) || st.At.After(span.To) }) // of this night
		v.Alarms = append(v.Alarms, a)
	}
	return nil
}

// nightOf sums a night up. Needs says what was the least, in volts, at a time of it.
func nightOf(name string, src farm.Source, needs func(time.Time) float64, s Series) nightRow {
	row := nightRow{Name: name, Source: src}
	lowest := math.Inf(1)
	for _, b := range s.Buckets {
		row.UnderMin = row.UnderMin || b.Min < needs(b.Start)
		if b.Min < lowest {
			lowest, row.LowestAt = b.Min, b.Start
		}
	}
	if n := len(s.Buckets); n > 0 {
		kv, end := lowest/1000, s.Buckets[n-1].Mean/1000
		row.LowestKV, row.EndKV = &kv, &end
	}
	for _, g := range s.Gaps {
		row.Unheard += max(earlier(s.To, g.To).Sub(later(s.From, g.From)), 0)
	}
	return row
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// weekCell is a zone's day on the week sheet.
type weekCell struct {
	Day    *Day
	Under  bool
	Future bool
}

type weekRow struct {
	Zone
	Cells []weekCell
	Needs []float64 // volts; more than one when it changed
}

// weekPage is the body of the week sheet.
type weekPage struct {
	Monday         time.Time
	Days           []time.Time
	Earlier, Later string
	Rows           []weekRow
	Alarms         []Alarm
	Marks          []weekMark
}

type weekMark struct {
	Mark
	Where string
}

// week answers a sheet for the wall: each zone's lowest and level on each day, what happened, and room to write.
func (s *Server) week(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "week.title")
	if f == nil {
		return
	}
	v := weekPage{Monday: f.monday(r.URL.Query())}
	for d := range 7 {
		v.Days = append(v.Days, v.Monday.AddDate(0, 0, d))
	}
	v.Earlier = v.Monday.AddDate(0, 0, -7).Format(time.DateOnly)
	if next := v.Monday.AddDate(0, 0, 7); next.Before(f.Now) {
		v.Later = next.Format(time.DateOnly)
	}
	if err := s.weekInto(r.Context(), f, &v); err != nil {
		s.opts.Log.Error("week not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
		return
	}
	f.Body = v
	s.render(w, r, http.StatusOK, "week", f)
}

// monday returns the first day of the asked-for week, or of this one.
func (f *frame) monday(q url.Values) time.Time {
	d := f.local(f.Now)
	if asked, err := time.ParseInLocation(time.DateOnly, q.Get("date"), f.Location); err == nil && !asked.After(d) {
		d = asked
	}
	return time.Date(d.Year(), d.Month(), d.Day()-(int(d.Weekday())+6)%7, 0, 0, 0, 0, f.Location)
}

func (s *Server) weekInto(ctx context.Context, f *frame, v *weekPage) error {
	span := Span{v.Monday.UTC(), v.Monday.AddDate(0, 0, 7).UTC()}
	for _, z := range f.zonesIn(span) {
		if s.opts.History == nil {
			break
		}
		days, err := s.opts.History.Days(ctx, z.Source, span)
		if err != nil {
			return fmt.Errorf("read the week of %s: %w", z.Source, err)
		}
		row := weekRow{Zone: z, Needs: f.neededIn(z, span)}
		for _, d := range v.Days {
			needs := f.neededIn(z, Span{d, d.AddDate(0, 0, 1)}) // on a day of two, the lesser
			row.Cells = append(row.Cells, weekCellOf(f, d, days, slices.Min(append(needs, math.Inf(1)))))
		}
		v.Rows = append(v.Rows, row)
	}
	var err error
	if v.Marks, err = s.weekMarks(ctx, f, span); err != nil {
		return err
	}
	v.Alarms, err = s.alarmsOf(ctx, AlarmFilter{Span: span, Limit: mostListed})
	return err
}

// weekMarks returns what people did, the first first. What was done to the farm or to a whole fence stands there, and not
// once more at each of its zones.
func (s *Server) weekMarks(ctx context.Context, f *frame, span Span) ([]weekMark, error) {
	if s.opts.History == nil {
		return nil, nil
	}
	sources := []farm.Source{farm.Site}
	for _, e := range f.Energizers {
		sources = append(sources, e.Source)
	}
	wide := len(sources)
	for _, z := range f.zonesIn(span) {
		sources = append(sources, z.Source)
	}
	var out []weekMark
	above := map[Mark]bool{}
	for i, src := range sources {
		marks, err := s.opts.History.Marks(ctx, src, span)
		if err != nil {
			return nil, fmt.Errorf("read the week's marks of %s: %w", src, err)
		}
		for _, m := range marks {
			if m.Kind == MarkRain || m.Kind == MarkAlarm || above[m] { // alarms have a list of their own
				continue
			}
			out = append(out, weekMark{m, f.SourceName(src)})
			if i < wide {
				above[m] = true
			}
		}
	}
	slices.SortStableFunc(out, func(a, b weekMark) int { return a.At.Compare(b.At) })
	return out, nil
}

func weekCellOf(f *frame, d time.Time, days []Day, needs float64) weekCell {
	c := weekCell{Future: d.After(f.Now)}
	for i := range days {
		l := f.local(days[i].Start.Add(12 * time.Hour)) // noon, so that no change of the clock moves the date
		if l.YearDay() == d.YearDay() && l.Year() == d.Year() {
			c.Day, c.Under = &days[i], days[i].Min < needs && !math.IsInf(needs, 1)
		}
	}
	return c
}

// VoltsKV writes volts as kilovolts.
func (f *frame) VoltsKV(v float64) string { return f.KV(v / 1000) }

// Weekday writes a day as "Mon 2".
func (f *frame) Weekday(t time.Time) string {
	return f.words.text("weekday."+strconv.Itoa(int(t.Weekday()))) + " " + strconv.Itoa(t.Day())
}

// Lasting writes a length of time.
func (f *frame) Lasting(d time.Duration) string { return f.words.span(d) }

// SourceName writes a source for people: a zone's or energizer's name, or the farm.
func (f *frame) SourceName(src farm.Source) string {
	for i := range f.Zones {
		if f.Zones[i].Source == src {
			return f.Zones[i].Name
		}
	}
	for i := range f.Energizers {
		if f.Energizers[i].Source == src {
			return f.Energizers[i].Name
		}
	}
	if src == farm.Site {
		return f.Farm
	}
	return cmp.Or(src.Name(), string(src)) // of a layout before
}
