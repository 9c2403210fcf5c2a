// Package mqttstate keeps the farm's state as retained messages on an MQTT broker, for a lamp, a siren or a screen that
// follows it. Below the topic T:
//
//	T                            the farm: {"farm":"alder-bank","state":"alarm","sounding":true,"highest":"high","open":2,…}
//	T/online                     1, or 0 as the connection's last will
//	T/zone/brook                 {"state":"dead","kv":0.1,"minimum_kv":2.5,"heard":"2026-04-21T01:10:00Z","alarms":["dead"]}
//	T/energizer/cartshed         the same
//	T/alarm/zone/brook/dead      each alarm on the list; cleared when it leaves the list
//
// A siren follows "sounding" of T: it is true while an alarm of high priority waits for an answer. A lamp may follow
// "state": well, alarm, or work while all that is wrong has been put aside or is being worked on. Whoever follows should
// treat 0 or silence on T/online as not known, and never as well.
package mqttstate

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
)

// publisher puts a message on the broker. It returns once the broker has it, or an error.
type publisher interface {
	Publish(ctx context.Context, topic string, payload []byte, retained bool) error
}

// The payloads of the online topic.
const (
	Online  = "1"
	Offline = "0"
)

// OnlineTopic returns where the connection's last will, Offline, is to be left.
func (c Config) OnlineTopic() string { return strings.Trim(c.Topic, "/") + "/online" }

// Snapshot is the farm at one moment.
type Snapshot struct {
	Farm   string
	Places []Place
	Points []alerts.Point // all of the book's, so that alarms of an earlier run are cleared too
}

// Place is a zone or an energizer with its newest reading.
type Place struct {
	Source       string   // "zone/brook"
	KV           *float64 // nil when not known
	MinimumKV    *float64 // nil where there is none
	Heard        time.Time
	OutOfService bool
}

// State publishes what has changed. It is not safe for concurrent use.
type State struct {
	cfg  Config
	to   publisher
	sent map[string]string // what the broker has, by topic
}

// New checks the config. It publishes nothing yet.
func New(cfg Config, to publisher) (*State, error) {
	cfg, err := cfg.check()
	if err != nil {
		return nil, err
	}
	return &State{cfg: cfg, to: to, sent: map[string]string{}}, nil
}

// Forget makes the next Update publish everything again. Call it when the connection has come back, as the broker may
// have lost what it held, or published our last will.
func (s *State) Forget() {
	for topic := range s.sent {
		s.sent[topic] = "?" // is nobody's state, and so differs
	}
}

// Update publishes what has changed since the last. What could not be published is tried again by the next Update.
func (s *State) Update(ctx context.Context, snap Snapshot) error {
	want := s.topics(snap)
	for topic := range s.sent {
		if _, ok := want[topic]; !ok {
			want[topic] = "" // an empty retained message clears the topic (MQTT 3.1.1, 3.3.1.3)
		}
	}
	// Places and alarms before the farm, so that whoever sees the farm change finds the rest there.
	order := slices.SortedFunc(maps.Keys(want), func(a, b string) int { return cmp.Or(-cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	for _, topic := range order {
		if had, ok := s.sent[topic]; ok && had == want[topic] {
			continue
		}
		if err := s.to.Publish(ctx, topic, []byte(want[topic]), true); err != nil {
			return fmt.Errorf("publish state on %s: %w", topic, err)
		}
		s.sent[topic] = want[topic]
	}
	return nil
}

// farmState is what is published of the farm.
type farmState struct {
	Farm       string `json:"farm"`
	State      string `json:"state"`
	Sounding   bool   `json:"sounding"`
	Highest    string `json:"highest,omitempty"` // priority of what is open and not put aside
	Open       int    `json:"open"`
	Unanswered int    `json:"unanswered"`
	PutAside   int    `json:"put_aside"`
}

// placeState is what is published of a zone or an energizer.
type placeState struct {
	State     string             `json:"state"`
	KV        *float64           `json:"kv,omitempty"`
	MinimumKV *float64           `json:"minimum_kv,omitempty"`
	Heard     time.Time          `json:"heard,omitzero"`
	Alarms    []alerts.Condition `json:"alarms,omitempty"`
}

// alarmState is what is published of an alarm.
type alarmState struct {
	ID    string       `json:"id"`
	State alerts.State `json:"alarm_state"`
	On    bool         `json:"on"`
	Since time.Time    `json:"since"`
	By    string       `json:"acknowledged_by,omitempty"`
	alerts.Finding
}

// topics returns everything that is to be on the broker.
func (s *State) topics(snap Snapshot) map[string]string {
	out := map[string]string{s.cfg.OnlineTopic(): Online}
	f := farmState{Farm: snap.Farm, State: "well"}
	var highest alerts.Priority
	worst := map[string]*alerts.Point{} // by place, of those not put aside
	list := map[string][]alerts.Condition{}
	for i := range snap.Points {
		p := &snap.Points[i]
		topic := s.cfg.Topic + "/alarm/" + safe(p.Key())
		out[topic] = ""
		if !p.Listed() {
			continue
		}
		out[topic] = encode(alarmState{ID: p.ID, State: p.State, On: p.On(), Since: p.Raised.UTC(), By: p.AckedBy, Finding: p.Finding})
		if !p.On() {
			continue
		}
		f.Open++
		if p.State == alerts.StateShelved || p.State == alerts.StateOutOfService || p.State == alerts.StateSuppressed {
			f.PutAside++
			continue
		}
		if p.State == alerts.StateUnackActive {
			f.Unanswered++
			f.Sounding = f.Sounding || p.Finding.Priority == alerts.High
		}
		highest = max(highest, p.Finding.Priority)
		for _, place := range touched(p) {
			list[place] = append(list[place], p.Condition)
			if worst[place] == nil || p.Finding.Priority > worst[place].Finding.Priority {
				worst[place] = p
			}
		}
	}
	switch {
	case f.Open > f.PutAside:
		f.State, f.Highest = "alarm", highest.String()
	case f.Open > 0 || slices.ContainsFunc(snap.Places, func(p Place) bool { return p.OutOfService }):
		f.State = "work"
	}
	out[s.cfg.Topic] = encode(f)
	for _, p := range snap.Places {
		st := placeState{State: "well", KV: p.KV, MinimumKV: p.MinimumKV, Heard: p.Heard.UTC(), Alarms: list[p.Source]}
		switch {
		case p.OutOfService:
			st.State = "out-of-service"
		case worst[p.Source] != nil:
			st.State = string(worst[p.Source].Condition)
		case p.Heard.IsZero():
			st.State = "unknown" // never heard is not well
		}
		out[s.cfg.Topic+"/"+safe(p.Source)] = encode(st)
	}
	s.discovery(out, snap)
	return out
}

// touched returns the places that an alarm is about: its source, and the zones that ride on it.
func touched(p *alerts.Point) []string {
	out := []string{string(p.Source)}
	for _, z := range p.Finding.Zones {
		if s := "zone/" + z; s != out[0] {
			out = append(out, s)
		}
	}
	return out
}

// safe makes s fit for a topic to publish on.
func safe(s string) string { return strings.NewReplacer("+", "_", "#", "_", "\x00", "_").Replace(s) }

func encode(v any) string { return string(alerts.MustJSON(v)) }
