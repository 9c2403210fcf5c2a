package mqttstate

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// broker remembers what is retained, and what was published in which order.
type broker struct {
	retained map[string]string
	log      []string
	fail     map[string]bool
}

var _ publisher = (*broker)(nil)

func (b *broker) Publish(_ context.Context, topic string, payload []byte, retained bool) error {
	if b.fail[topic] {
		return errors.New("not connected")
	}
	if !retained {
		return errors.New("state must be retained")
	}
	b.log = append(b.log, topic)
	b.retained[topic] = string(payload)
	if len(payload) == 0 {
		delete(b.retained, topic)
	}
	return nil
}

func newState(t *testing.T) (*State, *broker) {
	t.Helper()
	b := &broker{retained: map[string]string{}, fail: map[string]bool{}}
	s, err := New(Config{Topic: "alder-bank/state/"}, b)
	if err != nil {
		t.Fatal(err)
	}
	return s, b
}

func heard() time.Time { return time.Date(2026, 4, 21, 1, 10, 0, 0, time.UTC) }

func places() []Place {
	return []Place{{Source: "zone/brook", KV: new(6.1), MinimumKV: new(2.5), Heard: heard()}, {Source: "zone/hazel"}, {Source: "energizer/cartshed", Heard: heard()}}
}

func point(source farm.Source, c alerts.Condition, s alerts.State, p alerts.Priority, zones ...string) alerts.Point {
	pt := alerts.Point{Source: source, Condition: c, State: s, ID: "x", Raised: heard(),
		Finding: alerts.Finding{Source: source, Condition: c, Cause: alerts.Unknown, Priority: p, Zones: zones, Text: "Text."}}
	if s != alerts.StateNormal && s != alerts.StateUnackRTN {
		pt.Open = []string{"x"}
	}
	return pt
}

func update(t *testing.T, s *State, points ...alerts.Point) {
	t.Helper()
	if err := s.Update(t.Context(), Snapshot{Farm: "alder-bank", Places: places(), Points: points}); err != nil {
		t.Fatal(err)
	}
}

func TestAllIsThere(t *testing.T) {
	s, b := newState(t)
	update(t, s, point("zone/brook", alerts.Dead, alerts.StateUnackActive, alerts.High, "hazel"))
	want := map[string]string{
		"alder-bank/state":                    `{"farm":"alder-bank","state":"alarm","sounding":true,"highest":"high","open":1,"unanswered":1,"put_aside":0}`,
		"alder-bank/state/online":             `1`,
		"alder-bank/state/zone/brook":         `{"state":"dead","kv":6.1,"minimum_kv":2.5,"heard":"2026-04-21T01:10:00Z","alarms":["dead"]}`,
		"alder-bank/state/zone/hazel":         `{"state":"dead","alarms":["dead"]}`,
		"alder-bank/state/energizer/cartshed": `{"state":"well","heard":"2026-04-21T01:10:00Z"}`,
		"alder-bank/state/alarm/zone/brook/dead": `{"id":"x","alarm_state":"UnackActive","on":true,"since":"2026-04-21T01:10:00Z",` +
			`"source":"zone/brook","condition":"dead","cause":"unknown","priority":"high","zones":["hazel"],"text":"Text."}`,
	}
	if diff := cmp.Diff(want, b.retained); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if last := b.log[len(b.log)-1]; last != "alder-bank/state" {
		t.Errorf("the farm was published before %s", last)
	}
}

func TestFarmState(t *testing.T) {
	for _, tt := range []struct {
		name   string
		points []alerts.Point
		want   string
	}{
		{"all well", nil, `{"farm":"alder-bank","state":"well","sounding":false,"open":0,"unanswered":0,"put_aside":0}`},
		{"answered: no more noise", []alerts.Point{point("zone/brook", alerts.Dead, alerts.StateAckedActive, alerts.High)},
			`{"farm":"alder-bank","state":"alarm","sounding":false,"highest":"high","open":1,"unanswered":0,"put_aside":0}`},
		{"medium makes none", []alerts.Point{point("zone/brook", alerts.Silent, alerts.StateUnackActive, alerts.Medium)},
			`{"farm":"alder-bank","state":"alarm","sounding":false,"highest":"medium","open":1,"unanswered":1,"put_aside":0}`},
		{"put aside", []alerts.Point{point("zone/brook", alerts.Dead, alerts.StateShelved, alerts.High), point("zone/hazel", alerts.Dead, alerts.StateOutOfService, alerts.High)},
			`{"farm":"alder-bank","state":"work","sounding":false,"open":2,"unanswered":0,"put_aside":2}`},
		{"over and never answered", []alerts.Point{point("zone/brook", alerts.Dead, alerts.StateUnackRTN, alerts.High)},
			`{"farm":"alder-bank","state":"well","sounding":false,"open":0,"unanswered":0,"put_aside":0}`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, b := newState(t)
			update(t, s, tt.points...)
			if diff := cmp.Diff(tt.want, b.retained["alder-bank/state"]); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestPlaceState(t *testing.T) {
	s, b := newState(t)
	ps := places()
	ps[2].OutOfService = true
	points := []alerts.Point{point("zone/brook", alerts.Growth, alerts.StateUnackActive, alerts.LowPriority),
		point("zone/brook", alerts.Low, alerts.StateAckedActive, alerts.High)}
	if err := s.Update(t.Context(), Snapshot{Farm: "alder-bank", Places: ps, Points: points}); err != nil {
		t.Fatal(err)
	}
	for topic, want := range map[string]string{
		"zone/brook":         `{"state":"low","kv":6.1,"minimum_kv":2.5,"heard":"2026-04-21T01:10:00Z","alarms":["growth","low"]}`,
		"zone/hazel":         `{"state":"unknown"}`,
		"energizer/cartshed": `{"state":"out-of-service","heard":"2026-04-21T01:10:00Z"}`,
	} {
		if diff := cmp.Diff(want, b.retained["alder-bank/state/"+topic]); diff != "" {
			t.Errorf("%s (-want +got):\n%s", topic, diff)
		}
	}
}

func TestOnlyChangesArePublished(t *testing.T) {
	s, b := newState(t)
	dead := point("zone/brook", alerts.Dead, alerts.StateUnackActive, alerts.High)
	update(t, s, dead)
	b.log = nil
	update(t, s, dead)
	if len(b.log) != 0 {
		t.Errorf("published again: %v", b.log)
	}
	dead.State, dead.AckedBy = alerts.StateAckedActive, "Orla"
	update(t, s, dead)
	if diff := cmp.Diff([]string{"alder-bank/state/alarm/zone/brook/dead", "alder-bank/state"}, b.log); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	s.Forget()
	b.log = nil
	update(t, s, dead)
	if len(b.log) != 6 {
		t.Errorf("after a new connection %d topics were published, want all 6", len(b.log))
	}
}

func TestAlarmIsCleared(t *testing.T) {
	const topic = "alder-bank/state/alarm/zone/brook/dead"
	s, b := newState(t)
	update(t, s, point("zone/brook", alerts.Dead, alerts.StateUnackActive, alerts.High))
	update(t, s, point("zone/brook", alerts.Dead, alerts.StateNormal, alerts.High))
	if v, ok := b.retained[topic]; ok {
		t.Errorf("still retained: %s", v)
	}

	// Of an earlier run: the broker still has it, and this run has never published it.
	s, b = newState(t)
	b.retained[topic] = "{}"
	update(t, s, point("zone/brook", alerts.Dead, alerts.StateNormal, alerts.High))
	if _, ok := b.retained[topic]; ok {
		t.Error("the alarm of an earlier run is still retained")
	}
}

func TestZoneThatIsGoneIsCleared(t *testing.T) {
	s, b := newState(t)
	update(t, s)
	if err := s.Update(t.Context(), Snapshot{Farm: "alder-bank", Places: places()[:1]}); err != nil {
		t.Fatal(err)
	}
	if _, ok := b.retained["alder-bank/state/zone/hazel"]; ok {
		t.Error("hazel is still retained")
	}
}

func TestFailureIsTriedAgain(t *testing.T) {
	s, b := newState(t)
	b.fail["alder-bank/state"] = true
	err := s.Update(t.Context(), Snapshot{Farm: "alder-bank", Places: places()})
	if err == nil || !strings.Contains(err.Error(), "alder-bank/state") {
		t.Fatalf("got %v", err)
	}
	b.fail["alder-bank/state"], b.log = false, nil
	update(t, s)
	if diff := cmp.Diff([]string{"alder-bank/state"}, b.log); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestTopicsAreSafe(t *testing.T) {
	s, b := newState(t)
	if err := s.Update(t.Context(), Snapshot{Places: []Place{{Source: "zone/a+b#c"}}}); err != nil {
		t.Fatal(err)
	}
	if _, ok := b.retained["alder-bank/state/zone/a_b_c"]; !ok {
		t.Errorf("published on %v", b.log)
	}
}

func TestConfig(t *testing.T) {
	for _, topic := range []string{"", "/", "a/#", "a/+/b"} {
		if _, err := New(Config{Topic: topic}, nil); err == nil || !strings.Contains(err.Error(), "\nhint: ") {
			t.Errorf("%q: got %v, want a refusal with a hint", topic, err)
		}
	}
	if got := (Config{Topic: "alder-bank/state/"}).OnlineTopic(); got != "alder-bank/state/online" {
		t.Errorf("online topic %q", got)
	}
}

// TestTouchedPlaces shows the zones that ride on an alarm as it is, once.
func TestTouchedPlaces(t *testing.T) {
	p := point("zone/brook", alerts.Dead, alerts.StateUnackActive, alerts.High, "brook", "hazel")
	if diff := cmp.Diff([]string{"zone/brook", "zone/hazel"}, touched(&p)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
