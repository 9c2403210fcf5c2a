package mqttstate

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// newFoundState is a state that home automation is to find.
func newFoundState(t *testing.T) (*State, *broker) {
	t.Helper()
	b := &broker{retained: map[string]string{}, fail: map[string]bool{}}
	s, err := New(Config{Topic: "alder-bank/state", Discovery: "homeassistant"}, b)
	if err != nil {
		t.Fatal(err)
	}
	return s, b
}

func TestDiscovery(t *testing.T) {
	s, b := newFoundState(t)
	update(t, s, point("zone/brook", alerts.Dead, alerts.StateUnackActive, alerts.High))
	form := regexp.MustCompile(`^homeassistant/(sensor|binary_sensor)/[A-Za-z0-9_-]+/[A-Za-z0-9_-]+/config$`)
	ids, found := map[string]bool{}, 0
	for topic, payload := range b.retained {
		if !strings.HasPrefix(topic, "homeassistant/") {
			continue
		}
		found++
		if !form.MatchString(topic) {
			t.Errorf("topic %s is not one to discover", topic)
		}
		var e entity
		if err := json.Unmarshal([]byte(payload), &e); err != nil {
			t.Fatal(err)
		}
		if ids[e.UniqueID] {
			t.Errorf("two entities are %s", e.UniqueID)
		}
		ids[e.UniqueID] = true
		if _, there := b.retained[e.StateTopic]; !there {
			t.Errorf("%s points to %s, where nothing is", topic, e.StateTopic)
		}
		if b.retained[e.Availability] != e.Available {
			t.Errorf("%s would be shown as not available", topic)
		}
	}
	if want := 2*len(places()) + 2; found != want {
		t.Errorf("%d entities, want %d", found, want)
	}
	want := `{"name":"brook voltage","unique_id":"nightwire_alder-bank_zone_brook_voltage","state_topic":"alder-bank/state/zone/brook",` +
		`"value_template":"{{ (value_json.kv * 1000) | round(0) if value_json.kv is defined else None }}",` +
		`"json_attributes_topic":"alder-bank/state/zone/brook","device_class":"voltage","state_class":"measurement","unit_of_measurement":"V",` +
		`"availability_topic":"alder-bank/state/online","payload_available":"1","payload_not_available":"0",` +
		`"device":{"identifiers":["nightwire_alder-bank"],"name":"alder-bank"}}`
	if diff := cmp.Diff(want, b.retained["homeassistant/sensor/nightwire_alder-bank/zone_brook_voltage/config"]); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A zone that is gone is gone from home automation too, and nothing is published there unless asked for.
func TestDiscoveryFollowsTheFarm(t *testing.T) {
	s, b := newFoundState(t)
	update(t, s)
	if err := s.Update(t.Context(), Snapshot{Farm: "alder-bank", Places: places()[:1]}); err != nil {
		t.Fatal(err)
	}
	for topic := range b.retained {
		if strings.Contains(topic, "hazel") {
			t.Errorf("%s is still there", topic)
		}
	}
	s, b = newState(t)
	update(t, s)
	for topic := range b.retained {
		if !strings.HasPrefix(topic, "alder-bank/state") {
			t.Errorf("%s was not asked for", topic)
		}
	}
}

func TestWordsStayApart(t *testing.T) {
	seen := map[string]string{}
	for _, s := range []string{"zone/brook", "zone/brook_2", "zone/brook 2", "zone/brück", "zone/bruck", "zone_brook", "zone/brook-2"} {
		w := word(s)
		if before, ok := seen[w]; ok || !regexp.MustCompile(`^[A-Za-z0-9_-]+$`).MatchString(w) {
			t.Errorf("%q becomes %q, as %q does", s, w, before)
		}
		seen[w] = s
	}
}
