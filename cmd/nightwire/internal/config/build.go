package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightwire/ingest/decode"
	"nightwire/ingest/farm"
)

// Defaults for what a farm file leaves out.
const (
	defaultPulseEvery  = 1300 * time.Millisecond // common practice, no source: energizers pulse every 1 to 1.5 s
	defaultReportEvery = time.Minute
)

// build checks what was read and makes the configuration of it. The result is only whole when nothing was noted.
func (r *reader) build(f *file) *Config {
	c := &Config{
		Farm: farm.Farm{Name: f.Farm, Location: r.location(f)}, Alarms: f.Alarms, Letters: f.Letters, Upkeep: f.Upkeep,
		Broker: f.Broker, Channels: f.Channels, Page: f.Page, Store: f.Store, Mirror: f.Mirror, Heartbeat: f.Heartbeat, reader: r,
	}
	r.checkName(&f.Farm, f.Farm, "farm")
	r.checkUnique(f)
	r.checkTopics(f)
	for i := range f.Energizers {
		c.Farm.Energizers = append(c.Farm.Energizers, r.energizer(&f.Energizers[i]))
	}
	for i := range f.Zones {
		c.Farm.Zones = append(c.Farm.Zones, r.zone(&f.Zones[i]))
	}
	for what, n := range map[any]int{&f.Energizers: len(f.Energizers), &f.Zones: len(f.Zones)} {
		if r.given(what) && n == 0 {
			r.blame(what, "add at least one", "the list is empty")
		}
	}
	c.Farm.Weather = r.weather(f.Weather)
	r.checkTree(f)
	r.checkLoops(f)
	r.checkMinimums(f, &c.Farm)
	r.settings(c, f)
	return c
}

// location returns the farm's time zone.
func (r *reader) location(f *file) *time.Location {
	if !r.given(&f.Timezone) {
		return time.UTC
	}
	loc, err := time.LoadLocation(f.Timezone)
	if err != nil || f.Timezone == "" || f.Timezone == "Local" {
		r.blame(&f.Timezone, "write it as Europe/Dublin or America/Toronto", "time zone %s is not known", clip(f.Timezone))
		return time.UTC
	}
	return loc
}

// maxNameLength is in characters: a name must fit a phone's screen, a topic and an address.
const maxNameLength = 40

// checkName notes a name that would not do as part of an MQTT topic and of a page's address.
func (r *reader) checkName(field any, name, what string) {
	if !r.given(field) {
		return
	}
	const rule = "use letters, digits, - and _, starting with a letter or digit: north-field"
	switch first, _ := utf8.DecodeRuneInString(name); {
	case name == "":
		r.blame(field, rule, "the %s's name is empty", what)
		return
	case !unicode.IsLetter(first) && !unicode.IsDigit(first):
		r.blame(field, rule, "the %s's name %s starts with %q", what, clip(name), first)
		return
	}
	for _, c := range name {
		if !unicode.IsLetter(c) && !unicode.IsDigit(c) && c != '-' && c != '_' {
			r.blame(field, rule, "the %s's name %s has %q in it", what, clip(name), c)
			return
		}
	}
	if utf8.RuneCountInString(name) > maxNameLength {
		r.blame(field, "shorten it", "the %s's name is longer than %d characters", what, maxNameLength)
	}
}

// checkUnique notes names used twice. Energizers and zones share theirs, since fed_by may name either.
func (r *reader) checkUnique(f *file) {
	seen := map[string]any{}
	check := func(field any, name, what string) {
		r.checkName(field, name, what)
		folded := strings.ToLower(name)
		if first := seen[folded]; first != nil && name != "" {
			r.blame(field, "give each energizer and each zone a name of its own", "the name %s is used before, in line %d", clip(name), r.at[first].line)
			return
		}
		if r.given(field) {
			seen[folded] = field
		}
	}
	for i := range f.Energizers {
		check(&f.Energizers[i].Name, f.Energizers[i].Name, "energizer")
	}
	for i := range f.Zones {
		check(&f.Zones[i].Name, f.Zones[i].Name, "zone")
	}
}

// checkTopics notes topics that cannot be subscribed to one by one, and topics used twice.
func (r *reader) checkTopics(f *file) {
	seen := map[string]*string{}
	checkTopic := func(topic *string) {
		if !r.checkTopic(topic, *topic) {
			return
		}
		if first := seen[*topic]; first != nil {
			r.blame(topic, "give each sensor a topic of its own", "the topic %s is used before, in line %d", clip(*topic), r.at[first].line)
			return
		}
		seen[*topic] = topic
	}
	check := func(s *sensor) {
		if s != nil {
			checkTopic(&s.Topic)
		}
	}
	for i := range f.Energizers {
		check(f.Energizers[i].Sensor)
	}
	for i := range f.Zones {
		check(f.Zones[i].Sensor)
	}
	if f.Weather != nil {
		checkTopic(&f.Weather.Topic)
	}
}

// maxTopicBytes is the longest topic MQTT can carry (MQTT 3.1.1, section 1.5.3).
const maxTopicBytes = 65535

// checkTopic notes what MQTT 3.1.1 section 4.7 does not allow in the name of a topic.
func (r *reader) checkTopic(field any, topic string) bool {
	if !r.given(field) {
		return false
	}
	const hint = "write the one topic in full, as alder-bank/brook/kv"
	switch {
	case topic == "":
		r.blame(field, hint, "the topic is empty")
	case strings.ContainsAny(topic, "+#"):
		r.blame(field, hint, "the topic %s has a wildcard in it", clip(topic))
	case topic[0] == '$':
		r.blame(field, hint, "the topic %s starts with $, which brokers keep for themselves", clip(topic))
	case strings.ContainsFunc(topic, unicode.IsControl) || !utf8.ValidString(topic):
		r.blame(field, hint, "the topic %s has a control character in it", clip(topic))
	case len(topic) > maxTopicBytes:
		r.blame(field, "shorten it", "the topic is longer than %d bytes", maxTopicBytes)
	default:
		return true
	}
	return false
}

// energizer checks one energizer and returns it in base units.
func (r *reader) energizer(e *energizer) farm.Energizer {
	r.checkKV(&e.OpenKV, e.OpenKV, "open_kv")
	r.between(&e.SourceOhms, e.SourceOhms, 1, 1e5, "source_ohms", "ohms")
	r.between(&e.EarthOhms, e.EarthOhms, 0, 1e5, "earth_ohms", "ohms")
	r.within(&e.PulseEvery, e.PulseEvery, 100*time.Millisecond, time.Minute, "pulse_every")
	out := farm.Energizer{
		Name: e.Name, Supply: farm.Battery, OpenVolts: e.OpenKV * 1000, SourceOhms: farm.DefaultSourceOhms,
		SourceAssumed: !r.given(&e.SourceOhms), EarthOhms: e.EarthOhms, PulseEvery: defaultPulseEvery, Sensor: r.sensor(e.Sensor),
	}
	if r.given(&e.Supply) {
		out.Supply = farm.Supply(e.Supply)
	}
	if !out.SourceAssumed {
		out.SourceOhms = e.SourceOhms
	}
	if r.given(&e.PulseEvery) {
		out.PulseEvery = e.PulseEvery
	}
	return out
}

// sensor checks one sensor; nil is none.
func (r *reader) sensor(s *sensor) farm.Sensor {
	if s == nil {
		return farm.Sensor{}
	}
	r.within(&s.Every, s.Every, time.Second, 24*time.Hour, "every")
	out := farm.Sensor{Topic: s.Topic, Every: defaultReportEvery}
	if r.given(&s.Every) {
		out.Every = s.Every
	}
	out.Format = farm.Format{Kind: s.Format, Pointers: s.Fields, Name: s.Name}
	if len(s.Fields) > 0 && s.Format == "" {
		out.Format.Kind = "pointer" // nothing else has fields
	}
	field := any(&s.Format)
	if r.given(&s.Fields) {
		field = &s.Fields
	}
	known := r.given(&s.Format) || r.absent(&s.Format)
	for key := range s.Fields {
		known = r.knownKey(entry{&s.Fields, key}, "field", decode.Keys()) && known
	}
	if !known {
		return out
	}
	if _, err := decode.New(decode.Format(out.Format)); err != nil {
		r.blame(field, "fields say where each value is in the JSON, as {kv: /fence/kv}", "%v", err)
	}
	return out
}

// weather checks the weather station; nil is none.
func (r *reader) weather(w *weather) farm.Sensor {
	if w == nil {
		return farm.Sensor{}
	}
	known := true
	for key := range w.Fields {
		known = r.knownKey(entry{&w.Fields, key}, "field", decode.WeatherKeys()) && known
	}
	if _, err := decode.NewWeather(w.Fields); known && err != nil {
		r.blame(&w.Fields, "fields say where each value is in the JSON, as {rain_total_mm: /rain}", "%v", err)
	}
	return farm.Sensor{Topic: w.Topic, Format: farm.Format{Pointers: w.Fields}}
}

// maxKV is far more than any fence energizer gives, so that volts written for kilovolts are caught.
const maxKV = 30

func (r *reader) checkKV(field any, kv float64, name string) {
	if r.given(field) && (kv <= 0 || kv > maxKV) {
		hint := "it is in kilovolts: 8.2, not 8200"
		r.blame(field, hint, "%s is %g, which is not above 0 and up to %d", name, kv, maxKV)
	}
}

// knownKey notes a key of a map that is not among the known ones.
func (r *reader) knownKey(at entry, what string, known []string) bool {
	if slices.Contains(known, at.key) {
		return true
	}
	r.blame(at, didYouMean(at.key, known), "%s %s is not known", what, clip(at.key))
	return false
}

// between notes a number outside its limits.
func (r *reader) between(field any, x, low, high float64, name, unit string) {
	if r.given(field) && (x < low || x > high) {
		r.blame(field, "", "%s", strings.TrimSpace(fmt.Sprintf("%s is %g, which is not between %g and %g %s", name, x, low, high, unit)))
	}
}

// within notes a length of time outside its limits.
func (r *reader) within(field any, d, low, high time.Duration, name string) {
	if r.given(field) && (d < low || d > high) {
		r.blame(field, "", "%s is %s, which is not between %s and %s", name, short(d), short(low), short(high))
	}
}

// short writes a duration as a farm file would: 24h and not 24h0m0s.
func short(d time.Duration) string {
	const day = 24 * time.Hour
	if d > day && d%day == 0 {
		return fmt.Sprintf("%dd", d/day)
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
