package app

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/journal"
	"nightwire/alerts/letter"
	"nightwire/alerts/notify"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// letterTimes returns when letters go out. One that nobody gets is not written.
func letterTimes(cfg *config.Config) letter.Times {
	at := func(kind string, h config.Hour) int {
		if h.Off || len(readersOf(cfg, kind)) == 0 {
			return letter.Never
		}
		return int(h.At)
	}
	l := &cfg.Letters
	return letter.Times{Evening: at("evening", l.Evening), Morning: at("morning", l.Morning),
		Weekly: at("weekly", l.Weekly.Hour), Weekday: l.Weekly.Day, Location: cfg.Farm.Location}
}

// readersOf names those who get a letter and can be reached.
func readersOf(cfg *config.Config, kind string) []string {
	var out []string
	for i := range cfg.Farm.People {
		if p := &cfg.Farm.People[i]; len(p.Routes) > 0 && slices.Contains(p.Letters, kind) {
			out = append(out, p.Name)
		}
	}
	return out
}

// letterKind is what the farm file calls a kind of letter.
func letterKind(k alerts.MessageKind) string {
	if k == alerts.TellRound {
		return "evening"
	}
	return string(k)
}

// keepLetters writes letters when they are due, until ctx is done. It reads the store, for which the watch does not wait.
func (n *night) keepLetters(ctx context.Context) error {
	tick := time.NewTicker(turn)
	defer tick.Stop()
	began := n.now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now := n.now().Add(-n.wall(settle))
		if since := now.Sub(began); since >= 0 && since < settleIn {
			continue
		}
		for _, due := range n.diary.Tick(now) {
			if err := n.writeLetter(ctx, now, due); err != nil && ctx.Err() == nil {
				n.log.Error("letter not written", "kind", due.Kind, "err", err)
			}
		}
		if saved := n.diary.Saved(); saved != nil {
			n.mu.Lock()
			n.record(alerts.Step{Saved: saved})
			n.mu.Unlock()
		}
	}
}

// writeLetter writes a letter and puts it into the outbox.
func (n *night) writeLetter(ctx context.Context, now time.Time, due letter.Due) error {
	f, err := n.letterFarm(ctx, now, due)
	if err != nil {
		return err
	}
	var l letter.Letter
	worth := true
	switch due.Kind {
	case alerts.TellMorning:
		var told []string
		if told, err = n.nightTold(ctx, now.Add(-nightSpan), now); err == nil {
			l, worth = letter.Morning(f, letter.Night{From: now.Add(-nightSpan), Told: told})
		}
	case alerts.TellWeekly:
		l, err = n.weekly(ctx, now, f)
	default:
		l = letter.Evening(f)
	}
	if err != nil || !worth {
		return err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.record(n.engine.desk.Send(now, notify.Letter{Kind: due.Kind, Planned: due.Planned, To: readersOf(n.cfg, letterKind(due.Kind)),
		Subject: l.Subject, Body: l.Body, Picture: l.Picture}))
	return nil
}

const (
	// settleIn is how long after a start letters wait, so that what is heard again is not told as silent.
	settleIn  = 5 * time.Minute
	nightSpan = 12 * time.Hour
	weekSpan  = 7 * 24 * time.Hour
	// seasonSpan is how far back the weekly letter draws.
	seasonSpan = 183 * 24 * time.Hour
	// lateReports is how many reports a sensor may miss before a letter calls it not heard. Two lost in a row are
	// ordinary on a bad link.
	lateReports = 4
)

// letterFarm returns the fence as letters speak of it.
func (n *night) letterFarm(ctx context.Context, now time.Time, due letter.Due) (letter.Farm, error) {
	f := &n.cfg.Farm
	out := letter.Farm{Name: f.Name, Location: f.Location, At: due.Planned}
	if now.Sub(due.Planned) > time.Minute {
		out.At = now
	}
	for _, kind := range []string{troubleStore, troubleBroker} {
		if err := n.troubles.get(kind); err != nil && out.Blind == "" {
			out.Blind, _, _ = strings.Cut(err.Error(), "\nhint: ")
		}
	}
	if due.Kind != alerts.TellMorning {
		hints, err := n.WeatherHints(ctx)
		if err != nil {
			return out, err
		}
		for _, h := range hints {
			out.Hints = append(out.Hints, letter.Hint{Brief: h.Brief, Line: h.Line()})
		}
	}
	var err error
	if out.Upkeep, out.Reminder, err = n.dueUpkeep(ctx, now); err != nil {
		return out, err
	}
	lows := map[string]web.Day{}
	for i := range f.Zones {
		low, err := n.lowest(ctx, f.Zones[i].Source(), web.Span{From: now.Add(-nightSpan), To: now})
		if err != nil {
			return out, err
		}
		lows[f.Zones[i].Name] = low
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, m := range n.engine.desk.Matters(now) {
		out.Open = append(out.Open, letter.Matter{What: m.What, Where: m.Where, Since: m.Since, First: m.First,
			Growth: m.Event.Condition == alerts.Growth, Urgent: m.Event.Priority == alerts.High})
	}
	out.Over = n.engine.desk.Ended(now)
	outUntil := map[farm.Source]time.Time{}
	for _, h := range n.engine.desk.Book().Holds() {
		outUntil[h.Source] = h.Until
	}
	for i := range f.Energizers {
		for _, z := range f.Feeding(f.Energizers[i].Name) {
			out.Zones = append(out.Zones, n.letterZone(z, now, outUntil[z.Source()], lows[z.Name]))
		}
	}
	return out, nil
}

// letterZone returns one zone. n.mu is held.
func (n *night) letterZone(z *farm.Zone, now, out time.Time, low web.Day) letter.Zone {
	v := letter.Zone{Name: z.Name, MinimumKV: z.MinimumVolts / 1000, OutUntil: out, NoSensor: z.Sensor.Topic == ""}
	if f := n.forecast(z); f != nil {
		v.TrimBy = f.Earliest
	}
	if low.N > 0 {
		v.LowKV, v.LowAt, v.LowMinimumKV = low.Min/1000, low.Start, cmp.Or(n.layouts.MinimumAt(z.Name, low.Start), z.MinimumVolts)/1000
	}
	r, ok := n.newest(z.Source())
	volts, has := r.Get(pulse.Volts)
	v.Late = !ok || !has || now.Sub(r.At) > lateReports*cmp.Or(z.Sensor.Every, time.Minute)
	if ok {
		v.HeardAt, v.KV = r.At, volts/1000
	}
	return v
}

// lowest returns the hour in which a source was lowest; N is 0 when nothing was heard.
func (n *night) lowest(ctx context.Context, src farm.Source, span web.Span) (low web.Day, err error) {
	if n.store == nil {
		return low, nil
	}
	hours, err := n.store.Buckets(ctx, detect.SensorID(&n.cfg.Farm, src), pulse.Volts, span.From, span.To, time.Hour)
	low.Min = math.Inf(1)
	for _, h := range hours {
		if h.N > 0 && h.Min < low.Min {
			low = web.Day{Start: h.From, N: h.N, Min: h.Min, Max: h.Max}
		}
	}
	return low, err
}

// nightTold returns what happened in a stretch of time, a sentence each. What only waits for the evening is left out.
func (n *night) nightTold(ctx context.Context, from, to time.Time) ([]string, error) {
	past, err := n.journal.Alarms(ctx, journal.Filter{From: from, To: to})
	if err != nil {
		return nil, err
	}
	slices.Reverse(past) // oldest first
	var out []string
	for _, a := range past {
		if a.Finding.Priority < alerts.Medium || a.Returned.IsZero() && a.Raised.Before(from) {
			continue // low, or an old trouble that the letter names as it stands
		}
		clock := func(t time.Time) string { return t.In(n.cfg.Farm.Location).Format("15:04") }
		s := fmt.Sprintf("%s: %s from %s", cmp.Or(a.Finding.Source.Name(), "the sensors"), a.Finding.Condition, clock(a.Raised))
		if !a.Returned.IsZero() {
			s += " to " + clock(a.Returned)
		} else {
			s += ", and still"
		}
		if a.Finding.Cause != alerts.Unknown {
			s += " (" + strings.ReplaceAll(string(a.Finding.Cause), "-", " ") + ")"
		}
		if a.AckedBy != "" {
			s += ", " + a.AckedBy + " had it"
		}
		out = append(out, s+".")
	}
	return out, nil
}

// weekly writes the weekly letter.
func (n *night) weekly(ctx context.Context, now time.Time, f letter.Farm) (letter.Letter, error) {
	season := letter.Season{Farm: f.Name, To: now, Location: f.Location}
	acts, err := n.journal.Actions(ctx, now.Add(-seasonSpan), now)
	if err != nil {
		return letter.Letter{}, err
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		c, err := n.course(ctx, z.Name, now, acts)
		if err != nil {
			return letter.Letter{}, err
		}
		for _, d := range c.Days {
			switch ago := now.Sub(d.At); {
			case ago < 48*time.Hour:
				z.LevelKV = d.KV
			case ago >= weekSpan && ago < weekSpan+48*time.Hour:
				z.WasKV = d.KV
			}
		}
		season.Zones = append(season.Zones, c)
	}
	for _, z := range n.layouts.Gone().Zones { // the season's picture has who stood in it
		c, err := n.course(ctx, z.Name, now, acts)
		if err != nil {
			return letter.Letter{}, err
		}
		if c.Name += " (gone)"; len(c.Days) > 0 {
			season.Zones = append(season.Zones, c)
		}
	}
	for _, c := range season.Zones {
		if len(c.Days) > 0 && (season.From.IsZero() || c.Days[0].At.Before(season.From)) {
			season.From = c.Days[0].At
		}
	}
	week := letter.Week{From: now.Add(-weekSpan), Done: n.weekDone(acts, now.Add(-weekSpan))}
	if week.Trips, err = trips(ctx, n.store, &n.cfg.Farm, n.journal, web.Span{From: now.Add(-weekSpan), To: now}); err != nil {
		return letter.Letter{}, err
	}
	l := letter.Weekly(f, week)
	if season.From.IsZero() {
		return l, nil // nothing was heard: there is nothing to draw
	}
	l.Picture, err = season.Picture()
	return l, err
}

// course returns a zone's season up to now.
func (n *night) course(ctx context.Context, zone string, now time.Time, acts []alerts.Action) (letter.Course, error) {
	src := farm.ZoneSource(zone)
	days, err := n.Days(ctx, src, web.Span{From: now.Add(-seasonSpan), To: now})
	c := letter.Course{Name: zone}
	for _, m := range n.layouts.Minimums(zone) {
		c.Minimums = append(c.Minimums, letter.Level{At: m.From, KV: m.Volts / 1000})
	}
	for _, d := range days {
		c.Days = append(c.Days, letter.Level{At: d.Start, KV: d.Level / 1000})
	}
	for _, a := range acts {
		if a.Kind == alerts.Trimmed && n.means(a, src) {
			c.Trims = append(c.Trims, a.When())
		}
	}
	return c, err
}

// weekDone returns what people did from a time on, a sentence each.
func (n *night) weekDone(acts []alerts.Action, from time.Time) []string {
	verbs := map[alerts.ActionKind]string{alerts.Trimmed: "trimmed", alerts.Restrung: "re-strung", alerts.OutOfService: "out of service",
		alerts.Note: "noted at", alerts.Done: "upkeep of"}
	var out []string
	for _, a := range acts {
		verb, ok := verbs[a.Kind]
		if !ok || a.When().Before(from) {
			continue
		}
		s := fmt.Sprintf("%s: %s %s", a.When().In(n.cfg.Farm.Location).Format("Mon 15:04"), verb, cmp.Or(a.Source.Name(), "the farm"))
		if a.By != "" {
			s += ", by " + a.By
		}
		if said := saidOf(a); said != "" {
			s += ": " + strings.TrimRight(said, ".")
		}
		out = append(out, s+".")
	}
	return out
}
