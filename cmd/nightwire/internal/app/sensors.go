package app

import (
	"fmt"
	"time"

	"nightwire/alerts/detect"
	"nightwire/ingest/decode"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// sensors knows which sensor speaks on which topic, and how to read what it says.
type sensors map[string]sensor

type sensor struct {
	id     pulse.SensorID
	source farm.Source
	decode func(id pulse.SensorID, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error)
}

func newSensors(f *farm.Farm) (sensors, error) {
	out := sensors{}
	add := func(source farm.Source, s farm.Sensor) error {
		if s.Topic == "" {
			return nil
		}
		d, err := decode.New(decode.Format(s.Format))
		if err != nil {
			return fmt.Errorf("sensor of %s: %w", source, err)
		}
		out[s.Topic] = sensor{detect.SensorID(f, source), source, d.Decode}
		return nil
	}
	for i := range f.Energizers {
		if err := add(f.Energizers[i].Source(), f.Energizers[i].Sensor); err != nil {
			return nil, err
		}
	}
	for i := range f.Zones {
		if err := add(f.Zones[i].Source(), f.Zones[i].Sensor); err != nil {
			return nil, err
		}
	}
	if w := f.Weather; w.Topic != "" {
		d, err := decode.NewWeather(w.Format.Pointers)
		if err != nil {
			return nil, fmt.Errorf("weather station: %w", err)
		}
		out[w.Topic] = sensor{detect.SensorID(f, farm.WeatherSource), farm.WeatherSource, d.Decode}
	}
	return out, nil
}

// ids returns the names of all sensors.
func (s sensors) ids() (out []pulse.SensorID) {
	for _, one := range s {
		out = append(out, one.id)
	}
	return out
}

// read returns the readings in a message; ok is false when no sensor speaks on the topic.
func (s sensors) read(topic []byte, payload []byte, arrived time.Time, retained bool) (rs []pulse.Reading, ok bool, err error) {
	one, ok := s[string(topic)]
	if !ok {
		return nil, false, nil
	}
	rs, err = one.decode(one.id, payload, arrived, retained)
	return rs, true, err
}
