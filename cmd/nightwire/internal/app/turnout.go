package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/drill"
	"nightwire/alerts/journal"
	"nightwire/alerts/turnout"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// pastReadings gives a sensor's readings of a stretch of time, in order.
type pastReadings interface {
	Range(ctx context.Context, name pulse.SensorID, from, to time.Time) iter.Seq2[pulse.Reading, error]
}

var _ pastReadings = (*store.DB)(nil)

// turnoutInput gathers what a turnout check looks at, but for the alarms and the watch's own state.
func turnoutInput(ctx context.Context, f *farm.Farm, past pastReadings, now time.Time) (turnout.Input, error) {
	in := turnout.Input{Farm: f, Now: now, Samples: map[farm.Source][]turnout.Sample{}, Supplies: map[string]turnout.Supply{}, Held: map[farm.Source]time.Time{}}
	read := func(s farm.Source, sensor farm.Sensor, look func(*pulse.Reading)) error {
		for r, err := range past.Range(ctx, detect.SensorID(f, s), now.Add(-turnout.Window(sensor)), now.Add(pulse.FutureSlack)) {
			if errors.Is(err, store.ErrCorrupt) {
				continue // the rest is whole
			}
			if err != nil {
				return fmt.Errorf("read the last minutes of %s: %w", s, err)
			}
			if v, ok := r.Get(pulse.Volts); ok {
				in.Samples[s] = append(in.Samples[s], turnout.Sample{At: r.At, Volts: v})
			}
			look(&r)
		}
		return nil
	}
	for i := range f.Zones {
		if err := read(f.Zones[i].Source(), f.Zones[i].Sensor, func(*pulse.Reading) {}); err != nil {
			return in, err
		}
	}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		var s turnout.Supply
		err := read(e.Source(), e.Sensor, func(r *pulse.Reading) { supplyOf(&s, r) })
		if err != nil {
			return in, err
		}
		in.Supplies[e.Name] = s
	}
	return in, nil
}

// supplyOf notes what a reading says of its energizer.
func supplyOf(s *turnout.Supply, r *pulse.Reading) {
	if ms, ok := r.Get(pulse.IntervalMS); ok {
		s.Interval = time.Duration(ms * float64(time.Millisecond))
	}
	if v, ok := r.Get(pulse.SupplyVolts); ok {
		s.SupplyVolts, s.LowVolts = &v, detect.BatteryLow(v)
	}
	if v, ok := r.Get(pulse.EarthVolts); ok {
		s.EarthVolts = &v
	}
}

// withBook adds the alarms, what is out of service, and the last test that was answered.
func withBook(in turnout.Input, b *alerts.Book, tested drill.Record) turnout.Input {
	in.Alarms = b.Listed()
	for _, h := range b.Holds() {
		in.Held[h.Source] = h.Until
	}
	in.Tested = turnout.Test{At: tested.Last.At, By: tested.Last.By}
	return in
}

// withEarthTests adds the last test of each energizer's stakes that was kept, from what people did, oldest first.
func withEarthTests(in turnout.Input, acts []alerts.Action) turnout.Input {
	in.Earths = map[string]turnout.EarthTest{}
	for _, a := range acts {
		if a.Earth == nil {
			continue
		}
		name, at := a.Source.Name(), a.When()
		if !at.Before(in.Earths[name].At) {
			in.Earths[name] = turnout.EarthTest{At: at, StakeVolts: a.Earth.StakeVolts}
		}
	}
	return in
}

// asStrung is the note on what a yes brings about.
const asStrung = "as strung: the turnout check said yes"

// turnoutActs returns what is kept of a verdict: who asked when, the answer and its reasons. A yes makes the zones' state
// the one as strung.
func turnoutActs(v *turnout.Verdict) []alerts.Action {
	var acts []alerts.Action
	for _, name := range v.Zones {
		note := "yes"
		if !v.Yes {
			note = clipNote("no: " + strings.Join(v.ReasonsFor(name), "; "))
		}
		acts = append(acts, alerts.Action{Kind: alerts.Turnout, Source: farm.ZoneSource(name), By: v.By, Note: note})
		if v.Yes {
			acts = append(acts, alerts.Action{Kind: alerts.Restrung, Source: farm.ZoneSource(name), By: v.By, Note: asStrung})
		}
	}
	return acts
}

// clipNote cuts a note to what fits the history.
func clipNote(s string) string {
	const most = 500
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

// TurnoutOptions says what is asked.
type TurnoutOptions struct {
	Config  *config.Config
	DataDir string
	Zones   []string // empty for all
	By      string
	Look    bool // keep nothing
	JSON    bool
	Now     time.Time
	Out     io.Writer
}

// Turnout answers whether stock may go out, from the data folder, and keeps the answer. A zone that the farm does not
// have is a *turnout.ErrNoZone.
func Turnout(ctx context.Context, o TurnoutOptions) (yes bool, err error) {
	db, err := openToRead(ctx, o.DataDir)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(o.DataDir, storeFile)})
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	in, err := turnoutInput(ctx, &o.Config.Farm, db, o.Now)
	if err != nil {
		return false, err
	}
	past, err := j.Load(ctx)
	if err != nil {
		return false, err
	}
	book := alerts.NewBook(alerts.BookOptions{})
	if err := book.Load(past.Saved, past.Said); err != nil {
		return false, fmt.Errorf("take up the alarms: %w", err)
	}
	tested, err := drill.Last(past.Saved)
	if err != nil {
		return false, err
	}
	acts, err := j.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return false, err
	}
	in = withEarthTests(withBook(in, book, tested), acts)
	_, _, in.Watching = watchOn(o.DataDir)
	in.Zones, in.By = o.Zones, o.By
	v, err := turnout.Decide(in)
	if err != nil {
		return false, err
	}
	if !o.Look {
		if err := keepTurnout(ctx, o.DataDir, j, in.Watching, &v); err != nil {
			return false, err
		}
	}
	if o.JSON {
		return v.Yes, json.NewEncoder(o.Out).Encode(v)
	}
	return v.Yes, v.Write(o.Out)
}

// actsAtOnce is how many acts go to the watch in one command, which is short.
const actsAtOnce = 20

// keepTurnout has the verdict recorded by the watch that runs, or records it where none does.
func keepTurnout(ctx context.Context, dir string, j *journal.Journal, watching bool, v *turnout.Verdict) error {
	acts := turnoutActs(v)
	if len(acts) == 0 {
		return nil
	}
	if watching {
		err := error(nil)
		for some := range slices.Chunk(acts, actsAtOnce) {
			err = errors.Join(err, control.Act(ctx, dir, some...))
		}
		if err == nil || !errors.Is(err, control.ErrNotRunning) {
			return err
		}
	}
	for i := range acts {
		acts[i].Time = v.At
	}
	return j.Record(ctx, alerts.Step{Actions: acts})
}

// Turnout answers whether stock may go out, for the page.
func (n *night) Turnout(ctx context.Context, ask web.TurnoutAsk) (web.Turnout, error) {
	if n.store == nil {
		return web.Turnout{}, n.dataErr
	}
	in, err := turnoutInput(ctx, &n.cfg.Farm, n.store, n.shown())
	if err != nil {
		return web.Turnout{}, err
	}
	acts, err := n.journal.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return web.Turnout{}, err
	}
	n.mu.Lock()
	in = withEarthTests(withBook(in, n.engine.desk.Book(), n.drill.Record()), acts)
	n.mu.Unlock()
	in.Zones, in.By, in.Watching = ask.Zones, ask.By, true
	v, err := turnout.Decide(in)
	if err != nil {
		return web.Turnout{}, err
	}
	if ask.Keep {
		for _, a := range turnoutActs(&v) {
			if err := n.Act(ctx, a); err != nil {
				return web.Turnout{}, err
			}
		}
	}
	out := web.Turnout{Yes: v.Yes, Zones: v.Zones, Margins: turnout.MarginsText}
	for _, c := range v.Checks {
		out.Checks = append(out.Checks, web.TurnoutCheck{About: c.About, State: string(c.State), Text: c.Text})
	}
	return out, nil
}
