package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/drill"
	"nightwire/alerts/letter"
	"nightwire/alerts/self"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

const (
	saveEvery = 10 * time.Minute
	// follower is the name under which the store keeps readings for us.
	follower = "watch"
	// coldDays is how much of the past the detectors are told when they have no memory of it: what growth is judged by.
	coldDays = 40
	// atOnce is how many readings are fetched at once.
	atOnce = 2000
)

// memory is what the detectors know, and up to where in the store they know it.
type memory struct {
	Cursor store.Cursor    `json:"cursor"`
	Saved  time.Time       `json:"saved"`
	Watch  json.RawMessage `json:"watch"`
	Held   map[string]hold `json:"held,omitempty"`
	Tells  []alerts.Action `json:"tells,omitempty"`
}

// openEngine makes the engine and brings it up to what was stored before this start.
func (n *night) openEngine(ctx context.Context) error {
	var err error
	if n.sensors, err = newSensors(&n.cfg.Farm); err != nil {
		return err
	}
	n.echoes = newEchoes(&n.cfg.Farm)
	if n.engine, err = newEngine(n.cfg); err != nil {
		return err
	}
	if err := n.openLayouts(ctx); err != nil {
		return err
	}
	past, err := n.journal.Load(ctx)
	if err != nil {
		return err
	}
	if err := n.engine.desk.Load(past.Saved, past.Said); err != nil {
		return fmt.Errorf("take up the alarms: %w", err)
	}
	if n.self, err = self.New(n.cfg.Farm.Location, past.Saved); err != nil {
		return err
	}
	if n.drill, err = drill.New(drillConfig(n.cfg), past.Saved); err != nil {
		return err
	}
	if n.diary, err = letter.NewDiary(letterTimes(n.cfg), past.Saved); err != nil {
		return err
	}
	if n.store == nil {
		return nil
	}
	began := time.Now()
	if n.cursor, err = n.store.Follow(ctx, follower); err != nil {
		return err
	}
	known, err := n.recall(ctx)
	if err != nil {
		return err
	}
	if !known {
		if err := n.relive(ctx); err != nil {
			return err
		}
	}
	n.engine.watch.Resume(n.now())
	for _, r := range must(n.store.LatestAll(ctx)) {
		n.latest[r.Sensor] = r
	}
	n.recordQuietly(n.engine.desk.NotLater(n.now()))
	n.log.Info("past taken up", "from_memory", known, "took", time.Since(began).Round(time.Millisecond))
	return nil
}

// must drops the error of reading what is only shown.
func must(rs []pulse.Reading, _ error) []pulse.Reading { return rs }

// recall takes up the saved memory and the readings stored since. It reports false when there is none that fits.
func (n *night) recall(ctx context.Context) (bool, error) {
	data, err := os.ReadFile(filepath.Join(n.opts.DataDir, memoryFile))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	var m memory
	if err == nil {
		err = json.Unmarshal(data, &m)
	}
	var anew []string
	if err == nil {
		anew, err = n.engine.watch.Adopt(m.Watch)
	}
	if err != nil {
		n.log.Warn("detectors' memory does not fit, reading the past again", "err", err)
		return false, nil
	}
	if n.engine.watch.Now().After(n.ahead()) {
		n.log.Warn("detectors' memory is from a clock that ran ahead, reading the past again", "memory", n.engine.watch.Now())
		return false, n.forget()
	}
	n.withdraw(anew)
	if m.Held != nil {
		n.engine.rules.held = m.Held
	}
	since, err := n.journal.Actions(ctx, m.Saved, time.Time{})
	if err != nil {
		return false, err
	}
	n.engine.tells = m.Tells
	for _, a := range since {
		n.engine.hear(a)
	}
	ofToday := n.ofToday()
	for cursor := m.Cursor; ; {
		rs, next, err := n.store.Since(ctx, cursor, atOnce)
		if errors.Is(err, store.ErrCursor) {
			n.log.Warn("detectors' memory is of another store, reading the past again", "err", err)
			return false, n.forget()
		}
		if err != nil {
			return false, err
		}
		for _, r := range rs {
			if ofToday(&r) && !r.Arrived.After(n.ahead()) {
				n.catchUp(r)
			}
		}
		if n.cursor = next; next == cursor {
			return true, nil
		}
		cursor = next
	}
}

// forget begins again with an empty watch.
func (n *night) forget() (err error) {
	n.engine.watch, err = detect.New(detect.Options{Farm: &n.cfg.Farm})
	n.engine.rules.held, n.engine.tells = map[string]hold{}, nil
	return err
}

// catchUp takes in a reading from before the start. What was said of it before changes nothing; what was not is told
// now, since nobody was told then.
func (n *night) catchUp(r pulse.Reading) {
	e, now := n.engine, n.now()
	for w := e.nextFinding(); !w.IsZero() && !w.After(r.Arrived); w = e.nextFinding() {
		n.recordQuietly(e.find(now, w))
	}
	n.recordQuietly(e.say(now, e.watch.Observe(r)))
}

// recordQuietly records a step before there is a sender to wake.
func (n *night) recordQuietly(s alerts.Step) {
	if err := n.journal.Record(context.Background(), s); err != nil {
		n.troubles.set(troubleJournal, err)
	}
}

// relive tells the detectors of the last weeks without telling people: they know. At the end the alarms that stand are
// brought in line with what the detectors think.
func (n *night) relive(ctx context.Context) error {
	end, err := n.store.End(ctx)
	if err != nil {
		return err
	}
	now := n.now()
	from := now.AddDate(0, 0, -coldDays)
	acts, err := n.journal.Actions(ctx, from, time.Time{})
	if err != nil {
		return err
	}
	for _, a := range acts {
		n.engine.hear(a)
	}
	standing := map[string]alerts.Event{}
	note := func(events []alerts.Event) {
		for _, e := range n.engine.rules.prioritise(events) { // no delay counts any more
			if e.Kind == alerts.Returned {
				delete(standing, e.ID)
			} else {
				standing[e.ID] = e
			}
		}
	}
	ofToday := n.ofToday()
	for r, err := range n.past(ctx, from, n.ahead()) {
		if err != nil {
			if errors.Is(err, store.ErrCorrupt) || errors.Is(err, errMirror) {
				n.log.Warn("a part of the past not read", "err", err)
				continue // the rest is whole
			}
			return err
		}
		n.note(r)
		if !ofToday(&r) {
			continue // another fence
		}
		r.Arrived = r.At // it may have been imported long after
		for e := n.engine; len(e.tells) > 0 && !e.tells[0].Time.After(r.Arrived); e.tells = e.tells[1:] {
			note(e.watch.Tell(e.tells[0]))
		}
		note(n.engine.watch.Observe(r))
	}
	n.cursor = end
	n.reconcile(now, standing)
	return nil
}

// reconcile ends the alarms that no longer stand, and begins those that nobody knows of.
func (n *night) reconcile(now time.Time, standing map[string]alerts.Event) {
	var events []alerts.Event
	stands := map[string]bool{}
	for _, e := range standing {
		stands[pointOf(e.Finding)] = true
		events = append(events, e)
	}
	slices.SortFunc(events, func(a, b alerts.Event) int { return a.Time.Compare(b.Time) })
	for _, p := range n.engine.desk.Book().Points() {
		if !p.On() || stands[p.Key()] || p.Condition.OfWatch() {
			continue
		}
		f := p.Finding
		f.Text = "No longer so, as the readings since then show."
		e := alerts.Event{ID: p.ID, Time: now.UTC().Truncate(time.Second), Kind: alerts.Returned, Finding: f}
		if p.Raised.After(n.ahead()) {
			// Its readings are from a clock that ran ahead and were passed over. It is over unless it is found again.
			n.engine.rules.held[e.ID] = hold{e, now.Add(findAgain * n.slowest())}
			continue
		}
		events = append(events, e)
	}
	if len(events) > 0 {
		n.recordQuietly(n.engine.desk.Events(now, events...))
	}
}

// findAgain is within how many reporting periods a fault that still stands is found again: two readings are needed.
const findAgain = 4

// slowest returns the longest reporting period of all sensors.
func (n *night) slowest() time.Duration {
	longest := time.Minute
	for i := range n.cfg.Farm.Energizers {
		longest = max(longest, n.cfg.Farm.Energizers[i].Sensor.Every)
	}
	for i := range n.cfg.Farm.Zones {
		longest = max(longest, n.cfg.Farm.Zones[i].Sensor.Every)
	}
	return longest
}

func pointOf(f alerts.Finding) string { return string(f.Source) + "/" + string(f.Condition) }

// past returns every sensor's readings of a stretch of time, together in order of time.
func (n *night) past(ctx context.Context, from, to time.Time) iter.Seq2[pulse.Reading, error] {
	return func(yield func(pulse.Reading, error) bool) {
		names, err := n.store.Sensors(ctx)
		if err != nil {
			yield(pulse.Reading{}, err)
			return
		}
		if n.archive.mirror != nil {
			names = append(names, n.sensors.ids()...) // the store may be new, and the past at the mirror
			slices.Sort(names)
			names = slices.Compact(names)
		}
		var heads []head
		for _, name := range names {
			next, stop := iter.Pull2(n.archive.readings(ctx, name, from, to))
			defer stop()
			if r, err, ok := next(); ok {
				heads = append(heads, head{r, err, next})
			}
		}
		for len(heads) > 0 {
			i := earliest(heads)
			if !yield(heads[i].r, heads[i].err) {
				return
			}
			var ok bool
			if heads[i].r, heads[i].err, ok = heads[i].next(); !ok {
				heads = slices.Delete(heads, i, i+1)
			}
		}
	}
}

// head is the next reading of one sensor.
type head struct {
	r    pulse.Reading
	err  error
	next func() (pulse.Reading, error, bool)
}

func earliest(heads []head) int {
	best := 0
	for i := range heads {
		if heads[i].r.At.Before(heads[best].r.At) {
			best = i
		}
	}
	return best
}

// save writes down what the detectors know. While readings cannot be stored it waits: the memory must not know more
// than the store, or a restart would look at some of them twice.
func (n *night) save(ctx context.Context) {
	if n.store == nil || n.troubles.get(troubleStore) != nil {
		return
	}
	n.mu.Lock()
	m := memory{Cursor: n.cursor, Saved: n.now().UTC().Truncate(time.Millisecond), Held: n.engine.rules.held, Tells: n.engine.tells}
	watch, err := n.engine.watch.MarshalBinary()
	var data []byte
	if err == nil {
		m.Watch = watch
		data, err = json.Marshal(m)
	}
	n.mu.Unlock()
	if err == nil {
		err = writeWhole(filepath.Join(n.opts.DataDir, memoryFile), data)
	}
	if err == nil {
		err = n.store.Passed(ctx, follower, m.Cursor)
	}
	if err != nil {
		n.log.Warn("detectors' memory not saved", "err", err)
	}
}

// writeWhole writes a file so that a crash leaves the old one or the new one.
func writeWhole(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // fails after the rename, as it should
	_, err = f.Write(data)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
