package decode

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"nightwire/ingest/pulse"
)

// The keys of a weather station's payload that are more than a field: the station's counter of all rain, and the time.
const (
	rainTotalKey = "rain_total_mm"
	stampKey     = "t"
)

// WeatherKeys returns the keys that a weather station's payload or a pointer mapping may use.
func WeatherKeys() []string {
	return []string{"rain_mm", rainTotalKey, "temp_c", "wind_ms", "snow_cm", "humidity", stampKey}
}

// weatherField returns the field that a key stands for.
func weatherField(key string) (pulse.Field, bool) {
	switch key {
	case "rain_mm":
		return pulse.RainMM, true
	case "temp_c":
		return pulse.TempC, true
	case "wind_ms":
		return pulse.WindMS, true
	case "snow_cm":
		return pulse.SnowCM, true
	case "humidity":
		return pulse.Humidity, true
	}
	return 0, false
}

// Weather reads the payloads of one weather station: a flat JSON object with the keys of WeatherKeys, or other JSON by
// pointers. Missing is not zero, and a value that cannot be a measurement is left out.
//
// Most gauges count all the rain since they were set up, or since midnight. The decoder remembers the count and makes
// of it the rain since the last report. A count that falls has begun anew, or comes late: it gives no rain.
type Weather struct {
	pointers map[string]pointer // nil for the default payload

	mu    sync.Mutex
	total *float64 // nil until the first count is heard
}

// NewWeather returns a decoder; pointers say for each key where its value is, and none means the default payload.
func NewWeather(pointers map[string]string) (*Weather, error) {
	w := &Weather{}
	for key, text := range pointers {
		if !slices.Contains(WeatherKeys(), key) {
			return nil, fmt.Errorf("field %q is not one of %s", key, strings.Join(WeatherKeys(), ", "))
		}
		at, err := parsePointer(text)
		if err != nil {
			return nil, fmt.Errorf("field %s: %w", key, err)
		}
		if w.pointers == nil {
			w.pointers = map[string]pointer{}
		}
		w.pointers[key] = at
	}
	return w, nil
}

// Decode returns the reading in a payload. It returns none, and no error, for the first count of a rain gauge that says
// nothing else: there is nothing yet to compare it with.
func (w *Weather) Decode(sensor pulse.SensorID, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error) {
	m, err := open(sensor, payload, arrived, retained)
	if err != nil {
		return nil, err
	}
	var f weatherFields
	if w.pointers == nil {
		err = f.readFlat(m.body)
	} else {
		err = f.readPointers(m.body, w.pointers)
	}
	if err != nil {
		return nil, err
	}
	if f.reading.Empty() && f.total == nil {
		if f.leftOut != nil {
			return nil, fmt.Errorf("no value left in it: %w", f.leftOut)
		}
		return nil, fmt.Errorf("no value in it: none of %s", strings.Join(WeatherKeys()[:len(WeatherKeys())-1], ", "))
	}
	r, err := m.reading(f.reading, f.stamp)
	if err != nil {
		return nil, err
	}
	w.count(&r, f.total)
	if r.Empty() {
		return nil, nil
	}
	return []pulse.Reading{r}, nil
}

// count turns a gauge's count into rain since the last one. A reading that gives its rain itself keeps that.
func (w *Weather) count(r *pulse.Reading, total *float64) {
	if total == nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	last := w.total
	w.total = total
	if _, given := r.Get(pulse.RainMM); last == nil || given {
		return
	}
	if rain := max(*total-*last, 0); pulse.Check(pulse.RainMM, rain) == nil {
		r.Set(pulse.RainMM, rain)
	}
}

// weatherFields gathers the values of one payload.
type weatherFields struct {
	reading pulse.Reading
	stamp   time.Time
	total   *float64
	seen    []string
	leftOut error // the first value that was left out, in case nothing else remains
}

func (f *weatherFields) readFlat(body []byte) error {
	s := scanner{b: body}
	err := s.object(func(key []byte, v value) error {
		if !slices.Contains(WeatherKeys(), string(key)) {
			return nil
		}
		return f.set(string(key), v)
	})
	if err != nil {
		return err
	}
	return s.end()
}

func (f *weatherFields) readPointers(body []byte, pointers map[string]pointer) error {
	s := scanner{b: body}
	if _, err := s.value(); err != nil {
		return err
	}
	if err := s.end(); err != nil {
		return err
	}
	for _, key := range WeatherKeys() {
		at, ok := pointers[key]
		if !ok {
			continue
		}
		v, err := at.find(body)
		if errors.Is(err, errMissing) {
			continue
		}
		if err == nil {
			err = f.set(key, v)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// maxRainCount is more rain than falls anywhere in fifty years, so that only broken counters are above it.
const maxRainCount = 1e6

// set takes the value found under a key.
func (f *weatherFields) set(key string, v value) error {
	if slices.Contains(f.seen, key) {
		return fmt.Errorf("%q is given twice", key)
	}
	f.seen = append(f.seen, key)
	if key == stampKey {
		f.stamp = stampOf(v)
		return nil
	}
	x, err := v.number()
	if errors.Is(err, errMissing) {
		return nil
	}
	field, plain := weatherField(key)
	switch {
	case err != nil:
	case plain:
		if err = pulse.Check(field, x); err != nil {
			err = fmt.Errorf("cannot be true: %w", err)
			break
		}
		f.reading.Set(field, x+0) // a printed -0 becomes 0
	case x >= 0 && x <= maxRainCount:
		f.total = &x
	default:
		err = fmt.Errorf("is %g, which is not between 0 and %.0f", x, maxRainCount)
	}
	if err != nil && f.leftOut == nil {
		f.leftOut = fmt.Errorf("%q %w", key, err)
	}
	return nil
}
