package app

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/decode"
	"nightwire/ingest/pulse"
)

// ReplayOptions says what to replay.
type ReplayOptions struct {
	Config  *config.Config
	Capture io.Reader // what mosquitto_sub -F %J wrote
	Journal io.Reader // what people did, one JSON action a line; nil for nothing
	Out     io.Writer // events, one JSON object a line
}

// Counts says what a replay met.
type Counts struct {
	Lines    int // that hold something
	Readings int // new ones
	Repeats  int // readings met before
	Unknown  int // messages on topics of no sensor
	Retained int // retained messages that do not say how old they are
	Refused  int // payloads that cannot be read
	Bad      int // lines that are no message, or acts that were not possible
	FirstBad error
	Events   int
}

// String returns the counts for a person.
func (c Counts) String() string {
	s := fmt.Sprintf("%d messages, %d readings, %d events", c.Lines, c.Readings, c.Events)
	for _, part := range []struct {
		n    int
		what string
	}{
		{c.Repeats, "repeated readings"}, {c.Unknown, "messages on topics of no sensor"},
		{c.Retained, "retained messages of unknown age"}, {c.Refused, "payloads refused"}, {c.Bad, "bad lines"},
	} {
		if part.n > 0 {
			s += fmt.Sprintf(", %d %s", part.n, part.what)
		}
	}
	if c.FirstBad != nil {
		s += fmt.Sprintf(" (the first: %v)", c.FirstBad)
	}
	return s
}

// replay is a capture on its way through the engine.
type replay struct {
	engine  *engine
	sensors sensors
	echoes  *echoes
	seen    seen
	actions []alerts.Action
	events  []alerts.Event
	counts  Counts
}

// Replay plays a capture through the code that a live run uses, with the capture's own clock, and writes what it would
// have said. It sends nothing.
func Replay(ctx context.Context, opts ReplayOptions) (Counts, error) {
	e, err := newEngine(opts.Config)
	if err != nil {
		return Counts{}, err
	}
	r := &replay{engine: e, echoes: newEchoes(&opts.Config.Farm), seen: seen{}}
	if r.sensors, err = newSensors(&opts.Config.Farm); err != nil {
		return Counts{}, err
	}
	if err := r.readJournal(opts.Journal); err != nil {
		return r.counts, err
	}
	err = eachLine(ctx, opts.Capture, func(n int, text []byte) {
		if err := r.message(text); err != nil {
			r.bad(&lineError{n, err})
		}
	})
	if err != nil {
		return r.counts, fmt.Errorf("read the capture: %w", err)
	}
	return r.counts, r.write(opts.Out)
}

// message takes in one line.
func (r *replay) message(text []byte) error {
	m, err := parseCaptured(text)
	if err != nil {
		return err
	}
	r.counts.Lines++
	r.actUntil(m.at)
	r.keep(r.engine.advance(m.at))
	rs, known, err := r.sensors.read(m.topic, m.payload, m.at, m.retained)
	switch {
	case !known:
		r.counts.Unknown++
	case errors.Is(err, decode.ErrRetained):
		r.counts.Retained++
	case err != nil:
		r.counts.Refused++
		if r.counts.FirstBad == nil {
			r.counts.FirstBad = fmt.Errorf("%s: %w", m.topic, err)
		}
	}
	if err != nil {
		return nil
	}
	heard := r.echoes.drop(rs)
	r.counts.Repeats += len(rs) - len(heard)
	r.echoes.note(heard)
	for i := range heard {
		if r.seen.before(&heard[i]) {
			r.counts.Repeats++
			continue
		}
		r.counts.Readings++
		r.keep(r.engine.observe(heard[i]))
	}
	return nil
}

func (r *replay) bad(err error) {
	r.counts.Bad++
	if r.counts.FirstBad == nil {
		r.counts.FirstBad = err
	}
}

func (r *replay) keep(s alerts.Step) { r.events = append(r.events, s.Events...) }

// readJournal reads what people did.
func (r *replay) readJournal(in io.Reader) error {
	if in == nil {
		return nil
	}
	err := eachLine(context.Background(), in, func(n int, text []byte) {
		var a alerts.Action
		if err := json.Unmarshal(text, &a); err != nil || a.Time.IsZero() || a.Kind == "" {
			r.bad(fmt.Errorf("journal %w", &lineError{n, cmp.Or(err, errNoTime)}))
			return
		}
		r.actions = append(r.actions, a)
	})
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	slices.SortStableFunc(r.actions, func(a, b alerts.Action) int { return a.Time.Compare(b.Time) })
	return nil
}

// actUntil plays what people did before t.
func (r *replay) actUntil(t time.Time) {
	for len(r.actions) > 0 && r.actions[0].Time.Before(t) {
		a := r.actions[0]
		r.actions = r.actions[1:]
		r.keep(r.engine.advance(a.Time))
		s, err := r.engine.act(a)
		r.keep(s)
		if err != nil {
			r.bad(err)
		}
	}
}

// write writes the events in order of time. Those of one moment keep the order in which they were said.
func (r *replay) write(w io.Writer) error {
	slices.SortStableFunc(r.events, func(a, b alerts.Event) int { return a.Time.Compare(b.Time) })
	r.counts.Events = len(r.events)
	out := bufio.NewWriter(w)
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	for i := range r.events {
		if err := enc.Encode(r.events[i]); err != nil {
			return fmt.Errorf("write events: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write events: %w", err)
	}
	return nil
}

// maxLine is the longest line of a capture that is looked at: the longest payload, escaped, with room to spare.
const maxLine = 16 * decode.MaxPayload

// eachLine calls line with each line of in that holds something, numbered from 1. Longer ones than maxLine come cut.
func eachLine(ctx context.Context, in io.Reader, line func(n int, text []byte)) error {
	br := bufio.NewReaderSize(in, 1<<18)
	var long []byte
	for n := 1; ; n++ {
		text, err := br.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			long = append(long[:0], text...)
			for errors.Is(err, bufio.ErrBufferFull) {
				text, err = br.ReadSlice('\n')
				long = append(long, text[:min(len(text), max(maxLine-len(long), 0))]...)
			}
			text = long
		}
		if text = bytes.TrimSpace(text); len(text) > 0 {
			line(n, text)
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil && n%4096 == 0 {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
	}
}

// seen knows which readings there were, as the store of a live run does: by sensor and time in milliseconds.
type seen map[pulse.SensorID][]int64

// before reports whether r was there before, and remembers it. Readings mostly come in order, so the list is sorted by
// appending.
func (s seen) before(r *pulse.Reading) bool {
	at, list := r.At.UnixMilli(), s[r.Sensor]
	if n := len(list); n == 0 || at > list[n-1] {
		s[r.Sensor] = append(list, at)
		return false
	}
	i, found := slices.BinarySearch(list, at)
	if !found {
		s[r.Sensor] = slices.Insert(list, i, at)
	}
	return found
}
