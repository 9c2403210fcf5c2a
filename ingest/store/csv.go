package store

import (
	"context"
	"encoding/csv"
	"fmt"
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

// csvWhat heads the last column, which says what a line stands for: OfReading, or what Lines says.
const csvWhat = "what"

// OfReading is what a line stands for that is a single reading.
const OfReading = "reading"

// Line is one line of a table: a reading, or the least, mean or greatest values of a minute or an hour.
type Line struct {
	pulse.Reading
	What string
}

// Lines returns the lines of a row: one for a reading, three for a minute or an hour.
func (r *Row) Lines() []Line {
	if r.Thin == nil {
		return []Line{{r.Reading, OfReading}}
	}
	of := " of a minute"
	if r.Thin.Unit == time.Hour {
		of = " of an hour"
	}
	return []Line{{r.Thin.Low, "lowest" + of}, {r.Reading, "mean" + of}, {r.Thin.High, "highest" + of}}
}

// Export says what ExportCSV is to write. A zero From is the beginning, a zero To is no end.
type Export struct {
	Sensors  []pulse.SensorID
	From, To time.Time
	Location *time.Location
	Report   func(done, total int64) // is told how far it is; optional
}

// Exported says how much was written.
type Exported struct {
	Readings int
	Summed   int // minutes and hours, of three lines each
}

// String says it in a line.
func (e Exported) String() string {
	if e.Summed == 0 {
		return fmt.Sprintf("%d readings", e.Readings)
	}
	return fmt.Sprintf("%d readings, and %d minutes or hours whose single readings are no longer kept", e.Readings, e.Summed)
}

// ExportCSV writes what is kept of sensors with From ≤ At < To as RFC 4180 with a heading, times as RFC 3339. A field
// that a reading does not carry is empty. Damaged blocks are left out and reported at the end.
func (db *DB) ExportCSV(ctx context.Context, w io.Writer, e Export) (out Exported, err error) {
	var total int64
	for _, name := range e.Sensors {
		rows, err := db.rows(ctx, name, e.From, e.To)
		if err != nil {
			return out, explain(err, "read from", db.path)
		}
		total += rows
	}
	t := csvTable{out: csv.NewWriter(w), export: e, total: total}
	t.out.UseCRLF = true
	t.record = append(append([]string{"sensor", "measured", "arrived"}, csvColumns[:]...), csvWhat)
	if err := t.out.Write(t.record); err != nil {
		return out, err
	}
	var damaged error
	for _, name := range e.Sensors {
		for row, err := range db.Rows(ctx, name, e.From, e.To) {
			if err != nil {
				damaged = err
				continue
			}
			if err := t.write(&row); err != nil {
				return t.wrote, err
			}
		}
	}
	t.out.Flush()
	if err := t.out.Error(); err != nil {
		return t.wrote, err
	}
	return t.wrote, damaged
}

// rows returns about how many rows a range has: all of the blocks at its ends count.
func (db *DB) rows(ctx context.Context, name pulse.SensorID, from, to time.Time) (n int64, err error) {
	fromMS, toMS := window(from, to)
	err = db.read.QueryRowContext(ctx, `SELECT coalesce(sum(CASE kept WHEN 2 THEN min(n, 24) ELSE n END), 0) FROM store_block
		WHERE sensor = (SELECT id FROM store_sensor WHERE name = ?) AND from_ms < ? AND to_ms >= ?`, string(name), toMS, fromMS).Scan(&n)
	return n, err
}

// csvTable is an export under way.
type csvTable struct {
	out         *csv.Writer
	export      Export
	record      []string
	wrote       Exported
	rows, total int64
}

// reportRows is how many rows an export writes between two reports.
const reportRows = 1000

func (t *csvTable) write(row *Row) error {
	const millis = "2006-01-02T15:04:05.000Z07:00"
	for _, l := range row.Lines() {
		t.record = append(t.record[:0], string(l.Sensor), l.At.In(t.export.Location).Format(millis), l.Arrived.In(t.export.Location).Format(millis))
		t.record = append(appendCells(t.record, &l.Reading), l.What)
		if err := t.out.Write(t.record); err != nil {
			return err
		}
	}
	if row.Thin == nil {
		t.wrote.Readings++
	} else {
		t.wrote.Summed++
	}
	if t.rows++; t.rows%reportRows == 0 && t.export.Report != nil {
		t.export.Report(t.rows, max(t.rows, t.total)) // what is fresh was not counted
	}
	return nil
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
