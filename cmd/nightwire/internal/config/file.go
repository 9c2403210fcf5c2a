package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"nightwire/ingest/farm"
)

// file is a farm file as it is written.
type file struct {
	Farm       string      `key:"farm,need" doc:"the farm's name, short: it is part of topics and addresses"`
	Timezone   string      `key:"timezone" doc:"the farm's time zone, as Europe/Dublin; UTC when left out"`
	Energizers []energizer `key:"energizers,need" doc:"what feeds the fence"`
	Zones      []zone      `key:"zones,need" doc:"the runs of fence, each with a sensor at its far end"`
	People     []person    `key:"people" doc:"who is told"`
	Letters    Letters     `key:"letters" doc:"when people are told how the fence is without an alarm"`
	Upkeep     Upkeep      `key:"upkeep" doc:"how often work that comes back is to be done"`
	Alarms     Alarms      `key:"alarms" doc:"how alarms behave"`
	Broker     Broker      `key:"broker" doc:"where sensors' messages come from"`
	Channels   Channels    `key:"channels" doc:"how messages are sent"`
	Page       Page        `key:"page" doc:"where the page is served"`
	Store      Store       `key:"store" doc:"how long readings are kept"`
	Heartbeat  *Heartbeat  `key:"heartbeat" doc:"an outside address to tell that the watch is well"`
	Mirror     Mirror      `key:"mirror" doc:"where readings are copied to"`
	Weather    *weather    `key:"weather" doc:"the weather station, for rain on the charts and hints in snow, drought and frost"`
}

type weather struct {
	Topic  string            `key:"topic,need" doc:"the MQTT topic of its readings"`
	Fields map[string]string `key:"fields" doc:"where in the JSON each value is, as rain_total_mm: /rain; the default payload when left out"`
}

type energizer struct {
	Name       string        `key:"name,need" doc:"its name, short: letters, digits, - and _"`
	Supply     string        `key:"supply" oneof:"battery|mains" doc:"battery or mains; battery when left out"`
	OpenKV     float64       `key:"open_kv,need" doc:"its peak with the fence unhooked, kilovolts"`
	SourceOhms float64       `key:"source_ohms" doc:"its own resistance, fitted from a reading under a known load; 350 when left out, and fewer faults are then told to the metre"`
	EarthOhms  float64       `key:"earth_ohms" doc:"the resistance of its earth stakes, where known"`
	PulseEvery time.Duration `key:"pulse_every" doc:"the time from pulse to pulse; 1.3s when left out"`
	Sensor     *sensor       `key:"sensor" doc:"the sensor at its output"`
}

type zone struct {
	Name      string    `key:"name,need" doc:"its name, short: letters, digits, - and _"`
	FedBy     string    `key:"fed_by,need" doc:"the energizer, or the zone before it"`
	LengthM   float64   `key:"length_m,need" doc:"its length along the fence, metres"`
	OhmsPerKM float64   `key:"ohms_per_km" doc:"the resistance of all strands together, ohms per kilometre"`
	Conductor Conductor `key:"conductor" doc:"the wire, to have ohms_per_km computed"`
	Stock     string    `key:"stock" doc:"what it holds: pigs, cattle, horses, sheep, goats, poultry, bears"`
	MinimumKV float64   `key:"minimum_kv" doc:"the lowest voltage that holds the stock, kilovolts; by stock when left out"`
	Training  bool      `key:"training" doc:"true where animals learn what a fence is: a higher minimum, and a stricter check before they go in"`
	Marks     []mark    `key:"marks" doc:"places a person knows, for messages"`
	JoinedTo  string    `key:"joined_to" doc:"the zone whose far end it meets, where the fence closes a loop"`
	Sensor    *sensor   `key:"sensor" doc:"the sensor at its far end"`
}

type mark struct {
	AtM  float64 `key:"at_m,need" doc:"how far from the zone's start, metres"`
	Name string  `key:"name,need" doc:"what people call the place"`
}

type sensor struct {
	Topic  string            `key:"topic,need" doc:"the MQTT topic of its readings"`
	Every  time.Duration     `key:"every" doc:"how often it reports; 60s when left out"`
	Format string            `key:"format" oneof:"auto|number|json|senml|pointer" doc:"auto, number, json, senml or pointer; auto when left out"`
	Fields map[string]string `key:"fields" doc:"for format pointer: where in the JSON each value is, as kv: /fence/kv"`
	Name   string            `key:"name" doc:"for format senml: the record that carries the peak"`
}

type person struct {
	Name    string `key:"name,need" doc:"what to call them"`
	Order   int    `key:"order" doc:"1 is told first; by place in the list when left out"`
	Mail    string `key:"mail" doc:"their mail address"`
	Push    string `key:"push" doc:"their topic at the push server"`
	Webhook string `key:"webhook" doc:"the address to post their messages to"`
	Quiet   Span   `key:"quiet" doc:"the hours in which only high priority may wake them: 22:00-07:00, or none"`

	Letters []string `key:"letters" doc:"which letters they get: evening, morning, weekly; all for who is told first, none for the others, when left out"`
}

// Clock is a time of day in the farm's own time, in minutes after midnight.
type Clock int

// UnmarshalText reads a time of day as 19:00.
func (c *Clock) UnmarshalText(b []byte) error {
	m, ok := minutes(string(b))
	if !ok {
		return hinted{fmt.Sprintf("is %s, which is not a time of day", clip(string(b))), "write it as 07:00 or 19:30"}
	}
	*c = Clock(m)
	return nil
}

// String returns the time of day as 19:00.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// Span is a part of the day in the farm's own time; it may run past midnight.
type Span farm.Hours

// UnmarshalText reads a span as 22:00-07:00, or none.
func (s *Span) UnmarshalText(b []byte) error {
	text := string(b)
	if text == "none" {
		*s = Span{}
		return nil
	}
	from, to, ok := strings.Cut(text, "-")
	f, ok1 := minutes(strings.TrimSpace(from))
	t, ok2 := minutes(strings.TrimSpace(to))
	if !ok || !ok1 || !ok2 || f == t {
		return hinted{fmt.Sprintf("is %s, which is not a part of the day", clip(text)), "write it as 22:00-07:00, or none"}
	}
	*s = Span{From: f, To: t}
	return nil
}

// minutes reads a time of day as 07:00.
func minutes(s string) (int, bool) {
	hh, mm, ok := strings.Cut(s, ":")
	h, err1 := strconv.ParseUint(hh, 10, 8)
	m, err2 := strconv.ParseUint(mm, 10, 8)
	if !ok || err1 != nil || err2 != nil || h > 23 || m > 59 || len(mm) != 2 || len(hh) > 2 {
		return 0, false
	}
	return int(h*60 + m), true
}
