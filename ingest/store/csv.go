package store

import (
	"context"
	"encoding/csv"
	"io"
	"strconv"
	"time"

	"nightwire/ingest/pulse"
)

// csvColumns are the headings of a fence sensor's fields, with their units.
var csvColumns = [pulse.NumFenceFields]string{
	pulse.Volts:        "peak (V)",
	pulse.Pulses:       "pulses",
	pulse.IntervalMS:   "pulse interval (ms)",
	pulse.SupplyVolts:  "energizer supply (V)",
	pulse.EarthVolts:   "earth (V)",
	pulse.BatteryVolts: "sensor battery (V)",
	pulse.RSSI:         "signal (dBm)",
	pulse.Seq:          "message number",
}

// ExportCSV writes the readings of sensors with from ≤ At < to as RFC 4180 with a heading, times as RFC 3339 in loc.
// A field that a reading does not carry is empty. It returns how many readings it wrote; damaged blocks are left out
// and reported at the end.
func (db *DB) ExportCSV(ctx context.Context, w io.Writer, sensors []pulse.SensorID, from, to time.Time, loc *time.Location) (n int, err error) {
	const millis = "2006-01-02T15:04:05.000Z07:00"
	out := csv.NewWriter(w)
	out.UseCRLF = true
	record := append([]string{"sensor", "measured", "arrived"}, csvColumns[:]...)
	if err := out.Write(record); err != nil {
		return 0, err
	}
	var damaged error
	for _, name := range sensors {
		for r, err := range db.Range(ctx, name, from, to) {
			if err != nil {
				damaged = err
				continue
			}
			record = append(record[:0], string(r.Sensor), r.At.In(loc).Format(millis), r.Arrived.In(loc).Format(millis))
			record = appendCells(record, &r)
			if err := out.Write(record); err != nil {
				return n, err
			}
			n++
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return n, err
	}
	return n, damaged
}

// appendCells appends what the reading says of the fence, a cell for each field.
func appendCells(record []string, r *pulse.Reading) []string {
	for f := range pulse.NumFenceFields {
		cell := ""
		if v, ok := r.Get(f); ok {
			cell = strconv.FormatFloat(v, 'f', -1, 64)
		}
		record = append(record, cell)
	}
	return record
}
