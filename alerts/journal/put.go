package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"nightwire/alerts"
)

// putStep writes s and returns its messages that were not there before.
func putStep(ctx context.Context, tx *sql.Tx, s alerts.Step) ([]alerts.Message, error) {
	for _, e := range s.Events {
		if err := putEvent(ctx, tx, e); err != nil {
			return nil, fmt.Errorf("record %s: %w", e.ID, err)
		}
	}
	for _, a := range s.Actions {
		if err := putAction(ctx, tx, a); err != nil {
			return nil, fmt.Errorf("record %s: %w", a.Kind, err)
		}
	}
	for _, v := range s.Saved {
		if err := putSaved(ctx, tx, v); err != nil {
			return nil, fmt.Errorf("record %s %s: %w", v.Kind, v.Key, err)
		}
	}
	var fresh []alerts.Message
	for _, m := range s.Messages {
		isNew, err := putMessage(ctx, tx, m)
		if err != nil {
			return nil, fmt.Errorf("record message %s: %w", m.Key, err)
		}
		if isNew {
			fresh = append(fresh, m)
		}
	}
	return fresh, nil
}

// putEvent writes e and what it means for its alarm, unless it is there already.
func putEvent(ctx context.Context, tx *sql.Tx, e alerts.Event) error {
	data, err := json.Marshal(e)
	if err != nil {
		return err
	}
	isNew, err := insert(ctx, tx, `INSERT OR IGNORE INTO event (id, kind, time, json) VALUES (?, ?, ?, ?)`,
		e.ID, e.Kind, toNano(e.Time), string(data))
	if err != nil || !isNew {
		return err
	}
	finding, err := json.Marshal(e.Finding)
	if err != nil {
		return err
	}
	// A return or an escalation without its raise still gets its alarm: it must not drop out of the history.
	now := toNano(e.Time)
	if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO alarm (id, source, condition, raised, updated, finding)
		VALUES (?, ?, ?, ?, ?, ?)`, e.ID, e.Source, e.Condition, now, now, string(finding)); err != nil {
		return err
	}
	switch e.Kind {
	case alerts.Updated:
		_, err = tx.ExecContext(ctx, `UPDATE alarm SET source = ?, condition = ?, updated = ?, finding = ? WHERE id = ?`,
			e.Source, e.Condition, now, string(finding), e.ID)
	case alerts.Returned:
		_, err = tx.ExecContext(ctx, `UPDATE alarm SET updated = ?, returned = ? WHERE id = ?`, now, now, e.ID)
	case alerts.Escalated:
		_, err = tx.ExecContext(ctx, `UPDATE alarm SET updated = ?, escalated = escalated + 1 WHERE id = ?`, now, e.ID)
	}
	return err
}

func putAction(ctx context.Context, tx *sql.Tx, a alerts.Action) error {
	a.Time, a.Until = a.Time.UTC(), a.Until.UTC()
	data, err := json.Marshal(a)
	if err != nil {
		return err
	}
	isNew, err := insert(ctx, tx, `INSERT OR IGNORE INTO action (time, kind, alarm, source, by, json) VALUES (?, ?, ?, ?, ?, ?)`,
		toNano(a.Time), a.Kind, a.Alarm, a.Source, a.By, string(data))
	if err != nil || !isNew || a.Kind != alerts.Acknowledge {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE alarm SET acked = ?, acked_by = ? WHERE id = ?`, toNano(a.Time), a.By, a.Alarm)
	return err
}

func putSaved(ctx context.Context, tx *sql.Tx, s alerts.Saved) error {
	if s.JSON == nil {
		_, err := tx.ExecContext(ctx, `DELETE FROM alarm_state WHERE kind = ? AND key = ?`, s.Kind, s.Key)
		return err
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO alarm_state (kind, key, json) VALUES (?, ?, ?)
		ON CONFLICT DO UPDATE SET json = excluded.json`, s.Kind, s.Key, string(s.JSON))
	return err
}

func putMessage(ctx context.Context, tx *sql.Tx, m alerts.Message) (isNew bool, err error) {
	data, err := json.Marshal(m)
	if err != nil {
		return false, err
	}
	isNew, err = insert(ctx, tx, `INSERT OR IGNORE INTO message (key, outcome, changed, json) VALUES (?, 'pending', ?, ?)`,
		m.Key, toNano(m.Created), string(data))
	if err != nil || !isNew {
		return false, err
	}
	for _, e := range m.Alarms {
		if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO message_alarm VALUES (?, ?)`, e.ID, m.Key); err != nil {
			return false, err
		}
	}
	return true, nil
}

func putDelivery(ctx context.Context, tx *sql.Tx, d alerts.Delivery) error {
	if _, err := tx.ExecContext(ctx, `UPDATE message SET outcome = ?, tries = ?, next_try = ?, changed = ?, err = ? WHERE key = ?`,
		d.Outcome, d.Tries, toNano(d.NextTry), toNano(d.At), d.Err, d.Key); err != nil {
		return fmt.Errorf("settle message %s: %w", d.Key, err)
	}
	return nil
}

func insert(ctx context.Context, tx *sql.Tx, query string, args ...any) (isNew bool, err error) {
	res, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n > 0, err
}
