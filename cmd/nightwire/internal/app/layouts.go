package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// layoutsIn returns the layouts that acts tell of, oldest first.
func layoutsIn(acts []alerts.Action) farm.History {
	var h farm.History
	for _, a := range acts {
		if a.Kind == alerts.LaidOut && a.Layout != nil {
			h = append(h, farm.Dated{From: a.Time, Layout: *a.Layout})
		}
	}
	return h
}

// Layouts returns every layout that a data folder knows of, also beside a watch that runs; none when there is no data.
func Layouts(ctx context.Context, dir string) (farm.History, error) {
	if !used(dir) {
		return nil, nil
	}
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return nil, err
	}
	acts, err := j.Actions(ctx, time.Time{}, time.Time{})
	return layoutsIn(acts), errors.Join(err, j.Close())
}

// openLayouts reads which layouts there were, and records the present one with its date when it is another.
func (n *night) openLayouts(ctx context.Context) error {
	acts, err := n.journal.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return err
	}
	n.layouts = layoutsIn(acts)
	// As the journal will give it back, so that both can be compared.
	data, err := json.Marshal(n.cfg.Farm.Layout())
	if err != nil {
		return fmt.Errorf("keep the layout: %w", err)
	}
	var now farm.Layout
	if err := json.Unmarshal(data, &now); err != nil {
		return fmt.Errorf("keep the layout: %w", err)
	}
	at := n.now().UTC().Truncate(time.Millisecond)
	var changes []string
	if k := len(n.layouts); k > 0 {
		// Two of one moment are in order all the same: the journal knows an act by its time.
		if last := n.layouts[k-1].From; !last.Before(at) && last.Sub(at) < time.Second {
			at = last.Add(time.Millisecond)
		}
		if changes = now.Changes(n.layouts[k-1].Layout); len(changes) == 0 {
			return nil
		}
		n.log.Info("fence is laid out otherwise", "changes", strings.Join(changes, "; "))
	}
	a := alerts.Action{Time: at, Kind: alerts.LaidOut, Source: farm.Site, Layout: &now,
		Note: strings.Join(changes, changeMark)}
	n.layouts = append(n.layouts, farm.Dated{From: a.Time, Layout: now})
	n.recordQuietly(alerts.Step{Actions: []alerts.Action{a}})
	return nil
}

// farmAt returns the farm as it was laid out at a time.
func (n *night) farmAt(t time.Time) *farm.Farm { return farmAt(&n.cfg.Farm, n.layouts, t) }

func farmAt(now *farm.Farm, h farm.History, t time.Time) *farm.Farm {
	if l, ok := h.At(t); ok {
		return now.Laid(l)
	}
	return now
}

// changeMark stands between the changes in a note.
const changeMark = "; "

// layoutMarks returns the changes of the layout that concern a source, for its chart.
func layoutMarks(a alerts.Action, src farm.Source) []web.Mark {
	if a.Kind != alerts.LaidOut {
		return nil
	}
	var out []web.Mark
	for change := range strings.SplitSeq(a.Note, changeMark) {
		if strings.HasPrefix(change, src.Called()+" ") {
			out = append(out, web.Mark{At: a.Time, Kind: web.MarkNote, By: a.By, Text: change})
		}
	}
	return out
}

// withdraw takes back the alarms of fences that began anew, and of what is no longer there. What still is wrong is found
// again; nobody is told that anything is well.
func (n *night) withdraw(anew []string) {
	touched := map[farm.Source]bool{farm.Site: false}
	for _, s := range n.places() {
		touched[s] = false
	}
	for _, e := range anew {
		touched[farm.EnergizerSource(e)] = true
		for _, z := range n.cfg.Farm.Feeding(e) {
			touched[z.Source()] = true
		}
	}
	now := n.now()
	var events []alerts.Event
	for _, p := range n.engine.desk.Book().Points() {
		if changed, there := touched[p.Source]; p.On() && (changed || !there) {
			f := p.Finding
			f.Text = "The fence there is laid out otherwise; what is wrong is looked for anew."
			events = append(events, alerts.Event{ID: p.ID, Time: now.UTC().Truncate(time.Second), Kind: alerts.Returned, Finding: f, Withdrawn: true})
		}
	}
	if len(events) > 0 {
		n.recordQuietly(n.engine.desk.Events(now, events...))
	}
}

// ofToday reports whether a reading was taken on the circuit as it is now.
func (n *night) ofToday() func(r *pulse.Reading) bool {
	since := map[pulse.SensorID]time.Time{}
	for i := range n.cfg.Farm.Energizers {
		e := &n.cfg.Farm.Energizers[i]
		from := n.layouts.Since(e.Name)
		since[n.sensorID(e.Source())] = from
		for _, z := range n.cfg.Farm.Feeding(e.Name) {
			since[n.sensorID(z.Source())] = from
		}
	}
	return func(r *pulse.Reading) bool { return !r.At.Before(since[r.Sensor]) }
}

// gone returns the zones that are there no more, for their history.
func (n *night) gone() []web.Zone {
	var out []web.Zone
	for _, z := range n.layouts.Gone().Zones {
		v := web.Zone{Name: z.Name, Source: z.Source(), FedBy: z.FedBy, LengthM: z.LengthM, StockKind: z.Stock, Every: z.Sensor.Every,
			MinimumKV: z.MinimumVolts / 1000}
		if r, ok := n.newest(z.Source()); ok {
			v.KV, v.HeardAt = get(&r, pulse.Volts, 1000), r.At
		}
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b web.Zone) int { return strings.Compare(a.Name, b.Name) })
	return out
}
