// Package pulse defines a reading: what one sensor said about the fence's pulses at one moment.
// It does no input or output, and every other package may import it.
package pulse

import (
	"fmt"
	"math"
	"time"
)

// SensorID names a sensor for good: the farm, what the sensor stands on, and that thing's name, as in
// "alder-bank/zone/brook" or "alder-bank/energizer/cartshed". It does not change when a topic does.
type SensorID string

// Field says which quantity of a reading is meant.
type Field uint8

// The quantities a reading may carry. All are in base units; a reading need not carry any one of them.
const (
	Volts        Field = iota // pulse peak on the wire, volts
	Pulses                    // pulses counted since the last report
	IntervalMS                // mean time between pulses, milliseconds
	SupplyVolts               // the energizer's own battery, volts
	EarthVolts                // peak on the earth stakes, volts
	BatteryVolts              // the sensor's own battery, volts
	RSSI                      // received signal strength, dBm
	Seq                       // the sensor's message counter

	// A weather station's.
	RainMM    // rain since its last report, millimetres
	TempC     // of the air, degrees Celsius
	WindMS    // metres per second
	SnowCM    // depth of lying snow, centimetres
	Humidity  // of the air, per cent
	NumFields // how many there are

	NumFenceFields = RainMM // those before it are a fence sensor's
)

// String returns the name under which the field is stored and exported.
func (f Field) String() string {
	if f < NumFields {
		return fieldNames[f]
	}
	return fmt.Sprintf("field(%d)", uint8(f))
}

var fieldNames = [NumFields]string{"volts", "pulses", "interval_ms", "supply_volts", "earth_volts", "battery_volts", "rssi", "seq",
	"rain_mm", "temp_c", "wind_ms", "snow_cm", "humidity"}

// Reading is what a sensor reported. Missing is not zero: a field counts only when it was Set.
type Reading struct {
	Sensor  SensorID
	At      time.Time // when it was measured: the sensor's stamp, or Arrived where that cannot be trusted; UTC, whole milliseconds
	Arrived time.Time // when the message reached us; UTC, whole milliseconds

	has    uint16
	values [NumFields]float64
}

// Set gives field f the value v, rounded to a thousandth of its unit so that a reading is the same after it was stored.
func (r *Reading) Set(f Field, v float64) {
	if math.Abs(v) < RoundBelow {
		v = math.Round(v*1000) / 1000
	}
	r.values[f] = v
	r.has |= 1 << f
}

// RoundBelow is the size from which Set leaves a value as it is: up to here a whole number of thousandths survives
// float64 and rounding twice changes nothing; beyond, float64 itself is soon coarser than a thousandth.
const RoundBelow = 1 << 40

// Get returns field f and whether the reading carries it.
func (r *Reading) Get(f Field) (float64, bool) {
	return r.values[f], r.has&(1<<f) != 0
}

// Empty reports whether the reading carries no field at all.
func (r *Reading) Empty() bool { return r.has == 0 }

// Limits outside which a value is a broken payload and not a measurement. They are wide on purpose: what is merely
// unlikely is for the detectors to judge.
var limits = [NumFields][2]float64{
	Volts:        {0, 30_000}, // farm energizers stay under about 12 kV; common practice, no source
	Pulses:       {0, 1e7},
	IntervalMS:   {0, 1e7},
	SupplyVolts:  {0, 1000},
	EarthVolts:   {0, 30_000},
	BatteryVolts: {0, 1000},
	RSSI:         {-300, 100},
	Seq:          {0, 1 << 53},

	// Wider than the records of the World Meteorological Organization, which are from memory: −89.2 and 56.7 °C, a gust
	// of 113 m/s, 305 mm of rain in 42 minutes.
	RainMM:   {0, 500},
	TempC:    {-95, 65},
	WindMS:   {0, 120},
	SnowCM:   {0, 2000},
	Humidity: {0, 100},
}

// Check returns an error when v cannot be a measurement of field f.
func Check(f Field, v float64) error {
	if math.IsNaN(v) || v < limits[f][0] || v > limits[f][1] {
		return fmt.Errorf("%s %g is outside %g to %g", f, v, limits[f][0], limits[f][1])
	}
	return nil
}

const (
	// FutureSlack is how far ahead of its arrival a stamp may be before it is taken for a wrong clock.
	FutureSlack = 5 * time.Minute
)

// noClockBefore separates old readings from the stamps of boards that booted with no clock (which count from 1970,
// 1980 or 2000).
var noClockBefore = time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC)

// Stamp returns the time a reading counts under: its own stamp where that can be trusted, else its arrival.
// A zero stamp means the payload had none. Both come back in UTC, cut to milliseconds.
func Stamp(stamp, arrived time.Time) time.Time {
	if stamp.Before(noClockBefore) || stamp.After(arrived.Add(FutureSlack)) {
		stamp = arrived
	}
	return stamp.UTC().Truncate(time.Millisecond)
}
