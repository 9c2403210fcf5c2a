package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// quietReports is how many reports must fail in a row before a chart shows a gap: fewer are lost on any bad link.
const quietReports = 3

// Lines returns what is kept of a source in a stretch of time, in order.
func (n *night) Lines(ctx context.Context, src farm.Source, span web.Span) iter.Seq2[web.Line, error] {
	return func(yield func(web.Line, error) bool) {
		for row, err := range n.rows(ctx, src, span) {
			if err != nil {
				yield(web.Line{}, err)
				return
			}
			if row.At.Before(span.From) {
				continue
			}
			for _, l := range row.Lines() {
				if !yield(web.Line(l), nil) {
					return
				}
			}
		}
	}
}

// rows returns what is kept of a source in a stretch of time, in order, and up to an hour before.
func (n *night) rows(ctx context.Context, src farm.Source, span web.Span) iter.Seq2[store.Row, error] {
	if n.store == nil {
		return func(func(store.Row, error) bool) {}
	}
	return n.archive.rows(ctx, detect.SensorID(&n.cfg.Farm, src), span.From, span.To)
}

// each calls do with the readings of one sensor after the other, in a stretch of time.
func (n *night) each(ctx context.Context, ids []pulse.SensorID, span web.Span, do func(pulse.SensorID, iter.Seq2[pulse.Reading, error])) error {
	if n.store != nil {
		return n.archive.each(ctx, ids, span.From, span.To, do)
	}
	for _, id := range ids {
		do(id, func(func(pulse.Reading, error) bool) {})
	}
	return nil
}

// Series sums up the readings of a field. Damaged stretches show as gaps. Where a bucket is longer than an hour it is
// made of whole hours; then gaps of an hour and more are exact, and shorter ones are left to a closer look.
func (n *night) Series(ctx context.Context, src farm.Source, f pulse.Field, span web.Span, count int) (web.Series, error) {
	if width := span.To.Sub(span.From) / time.Duration(max(count, 1)); width >= time.Hour && n.store != nil {
		return n.seriesOfHours(ctx, src, f, span, width)
	}
	return n.fold(n.rows(ctx, src, span), src, f, span, count)
}

// fold sums up a field of rows. Damaged stretches show as gaps.
func (n *night) fold(rows iter.Seq2[store.Row, error], src farm.Source, f pulse.Field, span web.Span, count int) (web.Series, error) {
	var failed error
	s := web.Fold(n.points(rows, src, f, &failed), span, count, quietReports*n.every(src))
	return s, failed
}

// points returns what is known of a field, without damaged stretches. Why it ended early is in failed afterwards.
func (n *night) points(rows iter.Seq2[store.Row, error], src farm.Source, f pulse.Field, failed *error) iter.Seq2[time.Time, web.Known] {
	return func(yield func(time.Time, web.Known) bool) {
		for r, err := range rows {
			if errors.Is(err, store.ErrCorrupt) || errors.Is(err, errMirror) {
				n.log.Warn("a part of the past not read", "source", src, "err", err)
				continue
			}
			if err != nil {
				*failed = err
				return
			}
			if v, ok := r.Get(f); ok && !yield(r.At, knownOf(&r, f, v)) {
				return
			}
		}
	}
}

// knownOf returns what a row says of a field whose value, or mean, is v.
func knownOf(r *store.Row, f pulse.Field, v float64) web.Known {
	if r.Thin == nil {
		return web.Reading(v)
	}
	low, _ := r.Thin.Low.Get(f)
	high, _ := r.Thin.High.Get(f)
	return web.Known{Until: r.Until(), N: r.Thin.N[f], Min: low, Mean: v, Max: high}
}

// every returns how often a source's sensor reports.
func (n *night) every(src farm.Source) time.Duration {
	if slices.Contains(n.places(), src) {
		return reportsEvery(&n.cfg.Farm, src)
	}
	return reportsEvery(n.cfg.Farm.Laid(n.layouts.Gone()), src) // as it was
}

func reportsEvery(f *farm.Farm, src farm.Source) time.Duration {
	for i := range f.Zones {
		if f.Zones[i].Source() == src {
			return cmp.Or(f.Zones[i].Sensor.Every, time.Minute)
		}
	}
	for i := range f.Energizers {
		if f.Energizers[i].Source() == src {
			return cmp.Or(f.Energizers[i].Sensor.Every, time.Minute)
		}
	}
	return time.Minute
}

// Marks returns what happened at a source: what people did, its alarms, and the rain.
func (n *night) Marks(ctx context.Context, src farm.Source, span web.Span) ([]web.Mark, error) {
	actions, err := n.journal.Actions(ctx, span.From, time.Time{}) // what was done then may have been told later
	if err != nil {
		return nil, err
	}
	kinds := map[alerts.ActionKind]web.MarkKind{alerts.Trimmed: web.MarkTrimmed, alerts.Restrung: web.MarkRestrung,
		alerts.Note: web.MarkNote, alerts.OutOfService: web.MarkOut, alerts.Turnout: web.MarkTurnout, alerts.Done: web.MarkDone}
	var out []web.Mark
	for _, a := range actions {
		at := a.When().UTC()
		if at.Before(span.From) || at.After(span.To) {
			continue
		}
		if kind, ok := kinds[a.Kind]; ok && n.means(a, src) && a.Note != asStrung { // the check itself has a mark
			out = append(out, web.Mark{At: at, Until: a.Until, Kind: kind, By: a.By, Text: saidOf(a)})
		}
		out = append(out, layoutMarks(a, src)...)
	}
	past, err := n.journal.Alarms(ctx, journal.Filter{Source: src, From: span.From, To: span.To})
	if err != nil {
		return nil, err
	}
	for _, a := range past {
		out = append(out, web.Mark{At: a.Raised, Until: a.Returned, Kind: web.MarkAlarm, Text: a.Finding.Text})
	}
	rain, err := n.rain(ctx, span, actions)
	if err != nil {
		return nil, err
	}
	out = append(out, rain...)
	slices.SortStableFunc(out, func(a, b web.Mark) int { return a.At.Compare(b.At) })
	return out, nil
}

// means reports whether what somebody did was done at a place: there, or, of growth and wire, on the whole fence that it
// is part of.
func (n *night) means(a alerts.Action, src farm.Source) bool {
	if a.Source == src || a.Kind != alerts.Trimmed && a.Kind != alerts.Restrung {
		return a.Source == src
	}
	energizer, _ := strings.CutPrefix(string(a.Source), "energizer/")
	return a.Source == farm.Site || slices.ContainsFunc(n.farmAt(a.When()).Feeding(energizer), func(z *farm.Zone) bool { return z.Source() == src })
}

// Alarms returns alarms of all times, newest first.
func (n *night) Alarms(ctx context.Context, f web.AlarmFilter) ([]web.Alarm, error) {
	// The journal does not choose by priority, so more is fetched than is asked for.
	limit := f.Limit
	if f.Priority != 0 {
		limit = 0
	}
	past, err := n.journal.Alarms(ctx, journal.Filter{Source: f.Source, Condition: f.Condition, From: f.From, To: f.To, Limit: limit})
	if err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []web.Alarm
	for _, a := range past {
		if f.Priority != 0 && a.Finding.Priority != f.Priority {
			continue
		}
		out = append(out, n.pastAlarm(a))
		if len(out) == f.Limit {
			break
		}
	}
	return out, nil
}

// pastAlarm returns an alarm of the journal, with where it stands if it still does. n.mu is held.
func (n *night) pastAlarm(a journal.Alarm) web.Alarm {
	if p, ok := n.engine.desk.Book().Find(a.ID); ok && p.ID == a.ID && p.Listed() {
		return n.alarm(p)
	}
	return web.Alarm{Finding: a.Finding, ID: a.ID, State: web.Normal, Since: a.Raised, Returned: a.Returned, AckedBy: a.AckedBy,
		AckedAt: a.AckedAt}
}

// Alarm returns one alarm with all that happened to it.
func (n *night) Alarm(ctx context.Context, id string) (web.Alarm, error) {
	past, err := n.journal.Alarms(ctx, journal.Filter{ID: id})
	if err != nil {
		return web.Alarm{}, err
	}
	if len(past) == 0 {
		return web.Alarm{}, fmt.Errorf("%s: %w", id, web.ErrNoAlarm)
	}
	n.mu.Lock()
	a := n.pastAlarm(past[0])
	n.mu.Unlock()
	a.Steps, err = n.steps(ctx, id)
	return a, err
}

// steps returns what happened to an alarm: what was found, who was told, and what people did.
func (n *night) steps(ctx context.Context, id string) ([]web.Step, error) {
	events, err := n.journal.Events(ctx, id)
	if err != nil || len(events) == 0 {
		return nil, err
	}
	var out []web.Step
	for _, e := range events {
		out = append(out, web.Step{At: e.Time, What: string(e.Kind), Text: e.Text})
	}
	sent, err := n.journal.Messages(ctx, id)
	if err != nil {
		return nil, err
	}
	for _, m := range sent {
		step := web.Step{At: m.Changed, What: "sent", By: m.Person, Text: m.Route.Channel}
		switch m.Outcome {
		case alerts.Superseded:
			continue
		case alerts.Pending, alerts.Refused:
			step.What = "failed"
		}
		out = append(out, step)
	}
	actions, err := n.journal.Actions(ctx, events[0].Time, time.Time{})
	if err != nil {
		return nil, err
	}
	for _, a := range actions {
		if a.Alarm == id {
			out = append(out, web.Step{At: a.Time, What: string(a.Kind), By: a.By, Text: a.Note})
		}
	}
	slices.SortStableFunc(out, func(a, b web.Step) int { return a.At.Compare(b.At) })
	return out, nil
}
