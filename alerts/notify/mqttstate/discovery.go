package mqttstate

import (
	"strings"
)

// Home automation that speaks MQTT finds its devices by retained messages on PREFIX/COMPONENT/NODE/OBJECT/config, a form
// that began with Home Assistant (home-assistant.io, "MQTT discovery") and that others read too. Each message says on
// which topic an entity's state is, and how to take it out of there. Here is one device, the farm, with for each zone
// and energizer its voltage and whether something is wrong there, and for the farm its open alarms and the siren.

// entity is what is published of one entity. The keys are those of the discovery messages.
type entity struct {
	Name         string       `json:"name"`
	UniqueID     string       `json:"unique_id"`
	StateTopic   string       `json:"state_topic"`
	Template     string       `json:"value_template"`
	Attributes   string       `json:"json_attributes_topic,omitempty"`
	Class        string       `json:"device_class,omitempty"`
	StateClass   string       `json:"state_class,omitempty"`
	Unit         string       `json:"unit_of_measurement,omitempty"`
	Availability string       `json:"availability_topic"`
	Available    string       `json:"payload_available"`
	NotAvailable string       `json:"payload_not_available"`
	Device       entityDevice `json:"device"`
}

type entityDevice struct {
	Identifiers []string `json:"identifiers"`
	Name        string   `json:"name"`
}

// The templates take a value out of a state. Missing is not zero: what is not known stays unknown.
const (
	// Volts, since not every version takes kilovolts for a voltage.
	voltsTemplate   = "{{ (value_json.kv * 1000) | round(0) if value_json.kv is defined else None }}"
	problemTemplate = "{{ None if value_json.state == 'unknown' else 'OFF' if value_json.state in ['well', 'out-of-service'] else 'ON' }}"
	openTemplate    = "{{ value_json.open - value_json.put_aside }}"
	soundTemplate   = "{{ 'ON' if value_json.sounding else 'OFF' }}"
)

// discovery adds the messages by which home automation finds the farm, when that is asked for.
func (s *State) discovery(out map[string]string, snap Snapshot) {
	if s.cfg.Discovery == "" {
		return
	}
	device := entityDevice{Identifiers: []string{"nightwire_" + word(snap.Farm)}, Name: snap.Farm}
	add := func(component, object string, e entity) {
		e.UniqueID = device.Identifiers[0] + "_" + object
		e.Device, e.Availability, e.Available, e.NotAvailable = device, s.cfg.OnlineTopic(), Online, Offline
		out[strings.Join([]string{s.cfg.Discovery, component, device.Identifiers[0], object, "config"}, "/")] = encode(e)
	}
	for _, p := range snap.Places {
		_, name, _ := strings.Cut(p.Source, "/")
		topic := s.cfg.Topic + "/" + safe(p.Source)
		add("sensor", word(p.Source)+"_voltage", entity{Name: name + " voltage", StateTopic: topic, Template: voltsTemplate,
			Attributes: topic, Class: "voltage", StateClass: "measurement", Unit: "V"})
		add("binary_sensor", word(p.Source)+"_problem", entity{Name: name, StateTopic: topic, Template: problemTemplate, Class: "problem"})
	}
	add("sensor", "open_alarms", entity{Name: "open alarms", StateTopic: s.cfg.Topic, Template: openTemplate, Attributes: s.cfg.Topic, StateClass: "measurement"})
	add("binary_sensor", "unanswered_alarm", entity{Name: "alarm that nobody answered", StateTopic: s.cfg.Topic, Template: soundTemplate, Class: "safety"})
}

// word makes s fit for an object's name, which may have only letters, digits, - and _. Other letters are spelled out, so
// that two names stay two.
func word(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		switch {
		case c == '-' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z':
			b.WriteByte(c)
		case c == '/':
			b.WriteByte('_')
		default:
			const hex = "0123456789abcdef"
			b.WriteString("__")
			b.WriteByte(hex[c>>4])
			b.WriteByte(hex[c&15])
		}
	}
	return b.String()
}
