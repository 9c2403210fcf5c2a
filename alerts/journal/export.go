package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"nightwire/alerts"
)

// exported is one alarm as ExportAlarms writes it.
type exported struct {
	ID       string         `json:"id"`
	Events   []alerts.Event `json:"events"`
	Messages []told         `json:"messages"`
}

// told is one message about an alarm. The address is left out, since it may be a secret.
type told struct {
	Key     string             `json:"key"`
	Kind    alerts.MessageKind `json:"kind"`
	Person  string             `json:"person"`
	Channel string             `json:"channel"`
	Created time.Time          `json:"created"`
	Outcome alerts.Outcome     `json:"outcome"`
	Changed time.Time          `json:"changed"` // when it came to Outcome
}

// ExportAlarms writes every alarm, with its events and what was told of it, as one JSON object a line, oldest first.
func (j *Journal) ExportAlarms(ctx context.Context, w io.Writer) error {
	all, err := j.Alarms(ctx, Filter{Limit: math.MaxInt32})
	if err != nil {
		return err
	}
	enc := json.NewEncoder(w)
	for _, a := range slices.Backward(all) {
		out := exported{ID: a.ID, Messages: []told{}}
		if out.Events, err = j.Events(ctx, a.ID); err != nil {
			return err
		}
		sent, err := j.Messages(ctx, a.ID)
		if err != nil {
			return err
		}
		for _, m := range sent {
			out.Messages = append(out.Messages, told{m.Key, m.Kind, m.Person, m.Route.Channel, m.Created, m.Outcome, m.Changed})
		}
		if err := enc.Encode(out); err != nil {
			return fmt.Errorf("write alarms: %w", err)
		}
	}
	return nil
}
