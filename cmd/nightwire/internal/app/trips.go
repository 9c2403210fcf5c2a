package app

import (
	"cmp"
	"context"
	"time"

	"nightwire/alerts/journal"
	"nightwire/alerts/letter"
	"nightwire/alerts/weather"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// trips counts the alarms that began in a stretch of time by their place, most first, with the most frequent cause and
// the weather that they mostly came after.
func trips(ctx context.Context, db *store.DB, f *farm.Farm, j *journal.Journal, span web.Span) ([]letter.Trip, error) {
	past, err := j.Alarms(ctx, journal.Filter{From: span.From, To: span.To, Limit: 100_000})
	if err != nil {
		return nil, err
	}
	var single []letter.Trip
	for _, a := range past {
		if a.Raised.Before(span.From) || a.Finding.Condition.OfWatch() {
			continue
		}
		single = append(single, letter.Trip{Zone: cmp.Or(a.Finding.Source.Name(), "the sensors"), At: []time.Time{a.Raised}, Cause: string(a.Finding.Cause)})
	}
	out := letter.CountTrips(single)
	acts, err := j.Actions(ctx, span.From.Add(-longSaid), span.To.Add(longSaid))
	if err != nil {
		return nil, err
	}
	r := weather.Record{Said: weathered(acts)}
	if r.Hours, err = weatherHours(ctx, db, f, web.Span{From: span.From.Add(-24 * time.Hour), To: span.To},
		pulse.RainMM, pulse.TempC, pulse.WindMS); err != nil {
		return nil, err
	}
	for i := range out {
		out[i].After = r.After(out[i].At, span.From, span.To)
	}
	return out, nil
}

// longSaid is how long before or after somebody says what the weather was, it may have been.
const longSaid = 48 * time.Hour

// yearOfTrips says how often each place alarmed within the last year, most first, and the rule by which that is put down
// to weather where it is.
func yearOfTrips(ctx context.Context, db *store.DB, f *farm.Farm, j *journal.Journal, now time.Time) (said []string, rule string, err error) {
	year, err := trips(ctx, db, f, j, web.Span{From: now.AddDate(-1, 0, 0), To: now})
	for _, t := range year {
		if said = append(said, t.String()); t.After != "" {
			rule = weather.AfterRule + "; our own rule"
		}
	}
	return said, rule, err
}
