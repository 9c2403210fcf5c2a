package journal

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Past is what a start needs: the state that owners saved, and which events were said already.
type Past struct {
	Saved []alerts.Saved
	Said  []alerts.EventKey // oldest first, at most 10,000
}

// Load reads the past.
func (j *Journal) Load(ctx context.Context) (Past, error) {
	var p Past
	err := j.each(ctx, `SELECT kind, key, json FROM alarm_state ORDER BY kind, key`, nil, func(scan scanner) error {
		var s alerts.Saved
		var data []byte
		err := scan(&s.Kind, &s.Key, &data)
		s.JSON = data
		p.Saved = append(p.Saved, s)
		return err
	})
	if err != nil {
		return Past{}, fmt.Errorf("load the alarms' state: %w", err)
	}
	const said = `SELECT id, kind, time FROM (SELECT * FROM event ORDER BY seq DESC LIMIT 10000) ORDER BY seq`
	err = j.each(ctx, said, nil, func(scan scanner) error {
		var k alerts.EventKey
		err := scan(&k.ID, &k.Kind, &k.UnixNano)
		p.Said = append(p.Said, k)
		return err
	})
	if err != nil {
		return Past{}, fmt.Errorf("load the events: %w", err)
	}
	return p, nil
}

// Alarm is one occurrence in the history.
type Alarm struct {
	ID        string
	Raised    time.Time
	Updated   time.Time
	Returned  time.Time // zero while it is open
	AckedAt   time.Time // zero when nobody answered
	AckedBy   string
	Escalated int // how many more people were called
	Finding   alerts.Finding
}

// Filter narrows the history. Zero fields do not.
type Filter struct {
	ID        string
	Source    farm.Source
	Condition alerts.Condition
	From, To  time.Time // alarms that were on at any moment from From until before To
	OpenOnly  bool
	Limit     int // default 1000
}

// Alarms returns the alarms that pass the filter, newest first.
func (j *Journal) Alarms(ctx context.Context, f Filter) ([]Alarm, error) {
	where, args := f.where()
	query := `SELECT id, raised, updated, returned, acked, acked_by, escalated, finding FROM alarm` + where +
		` ORDER BY raised DESC, id LIMIT ?`
	var out []Alarm
	err := j.each(ctx, query, append(args, cmp.Or(f.Limit, 1000)), func(scan scanner) error {
		var a Alarm
		var raised, updated, returned, acked sql.NullInt64
		var by sql.NullString
		var finding []byte
		if err := scan(&a.ID, &raised, &updated, &returned, &acked, &by, &a.Escalated, &finding); err != nil {
			return err
		}
		a.Raised, a.Updated, a.Returned = fromNano(raised), fromNano(updated), fromNano(returned)
		a.AckedAt, a.AckedBy = fromNano(acked), by.String
		out = append(out, a)
		return json.Unmarshal(finding, &out[len(out)-1].Finding)
	})
	if err != nil {
		return nil, fmt.Errorf("read alarms: %w", err)
	}
	return out, nil
}

func (f Filter) where() (clause string, args []any) {
	var conds []string
	add := func(cond string, arg ...any) { conds, args = append(conds, cond), append(args, arg...) }
	if f.ID != "" {
		add("id = ?", f.ID)
	}
	if f.Source != "" {
		add("source = ?", f.Source)
	}
	if f.Condition != "" {
		add("condition = ?", f.Condition)
	}
	if !f.From.IsZero() {
		add("(returned IS NULL OR returned >= ?)", f.From.UnixNano())
	}
	if !f.To.IsZero() {
		add("raised < ?", f.To.UnixNano())
	}
	if f.OpenOnly {
		add("returned IS NULL")
	}
	if len(conds) == 0 {
		return "", nil
	}
	return " WHERE " + strings.Join(conds, " AND "), args
}

// Events returns what was said about one alarm, oldest first; of every alarm when id is empty.
func (j *Journal) Events(ctx context.Context, id string) ([]alerts.Event, error) {
	var out []alerts.Event
	err := j.each(ctx, `SELECT json FROM event WHERE ?1 = '' OR id = ?1 ORDER BY time, seq`, []any{id}, func(scan scanner) error {
		return scanJSON(scan, &out)
	})
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return out, nil
}

// Actions returns what people did from From until before To, oldest first. Zero times do not narrow.
func (j *Journal) Actions(ctx context.Context, from, to time.Time) ([]alerts.Action, error) {
	query, args := `SELECT json FROM action WHERE 1`, []any{}
	if !from.IsZero() {
		query, args = query+` AND time >= ?`, append(args, from.UnixNano())
	}
	if !to.IsZero() {
		query, args = query+` AND time < ?`, append(args, to.UnixNano())
	}
	var out []alerts.Action
	err := j.each(ctx, query+` ORDER BY time, seq`, args, func(scan scanner) error { return scanJSON(scan, &out) })
	if err != nil {
		return nil, fmt.Errorf("read actions: %w", err)
	}
	return out, nil
}

// ExportActions writes every action as one JSON object a line, oldest first, for a replay to play along.
func (j *Journal) ExportActions(ctx context.Context, w io.Writer) error {
	as, err := j.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return err
	}
	enc := json.NewEncoder(w)
	for _, a := range as {
		if a.Kind == alerts.LaidOut {
			continue // a replay has a layout of its own
		}
		if err := enc.Encode(a); err != nil {
			return fmt.Errorf("write actions: %w", err)
		}
	}
	return nil
}

// Sent is a message with what became of it.
type Sent struct {
	alerts.Message
	Outcome alerts.Outcome
	Changed time.Time // when it came to Outcome
	Err     string
}

// Messages returns what was sent, or is to be sent, about one alarm, oldest first; the newest 1000 of all when alarm is
// empty.
func (j *Journal) Messages(ctx context.Context, alarm string) ([]Sent, error) {
	query, args := `SELECT json, outcome, tries, changed, err FROM (SELECT * FROM message ORDER BY seq DESC LIMIT 1000) ORDER BY seq`, []any{}
	if alarm != "" {
		query = `SELECT json, outcome, tries, changed, err FROM message
			JOIN message_alarm USING (key) WHERE message_alarm.alarm = ? ORDER BY seq`
		args = append(args, alarm)
	}
	var out []Sent
	err := j.each(ctx, query, args, func(scan scanner) error {
		var s Sent
		var data []byte
		var changed sql.NullInt64
		var tries int
		if err := scan(&data, &s.Outcome, &tries, &changed, &s.Err); err != nil {
			return err
		}
		if err := json.Unmarshal(data, &s.Message); err != nil {
			return err
		}
		s.Tries, s.Changed = tries, fromNano(changed)
		out = append(out, s)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read messages: %w", err)
	}
	return out, nil
}

type scanner func(dest ...any) error

func scanJSON[T any](scan scanner, out *[]T) error {
	var data []byte
	if err := scan(&data); err != nil {
		return err
	}
	var v T
	if err := json.Unmarshal(data, &v); err != nil {
		return err
	}
	*out = append(*out, v)
	return nil
}

// each calls row for every row of the answer.
func (j *Journal) each(ctx context.Context, query string, args []any, row func(scanner) error) error {
	rows, err := j.r.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}
