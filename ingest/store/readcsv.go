package store

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"time"

	"nightwire/ingest/pulse"
)

// ReadCSV gives the readings of a table as ExportCSV writes it, columns in any order: "sensor" and "measured" must be
// there, "arrived" and the fields may. Others are passed over, and so are lines of minutes and hours, whose readings are
// gone. Times are RFC 3339. A row that cannot be read gives an
// error, after which the loop may go on; an error of the table itself is the last.
func ReadCSV(r io.Reader) iter.Seq2[pulse.Reading, error] {
	return func(yield func(pulse.Reading, error) bool) {
		in := csv.NewReader(r)
		in.ReuseRecord = true
		t, err := readHeading(in)
		if err != nil {
			yield(pulse.Reading{}, err)
			return
		}
		for {
			record, err := in.Read()
			if errors.Is(err, io.EOF) {
				return
			}
			var odd *csv.ParseError
			if err != nil && !errors.As(err, &odd) {
				yield(pulse.Reading{}, err)
				return
			}
			if err != nil {
				err = fmt.Errorf("line %d: %w", odd.StartLine, odd.Err)
			}
			var one pulse.Reading
			if err == nil && t.what >= 0 && record[t.what] != OfReading && record[t.what] != "" {
				continue
			}
			if err == nil {
				one, err = t.next(in, record)
			}
			if !yield(one, err) {
				return
			}
		}
	}
}

// table says which column holds what; -1 for none.
type table struct {
	sensor, measured, arrived, what int
	fields                          [pulse.NumFenceFields]int
}

func readHeading(in *csv.Reader) (t table, err error) {
	heading, err := in.Read()
	if err != nil {
		return t, fmt.Errorf("read the heading: %w", err)
	}
	t.sensor, t.measured, t.arrived = slices.Index(heading, "sensor"), slices.Index(heading, "measured"), slices.Index(heading, "arrived")
	t.what = slices.Index(heading, csvWhat)
	if t.sensor < 0 || t.measured < 0 {
		return t, errors.New("the table has no columns sensor and measured\nhint: its first line must name the columns, as that of nightwire export does")
	}
	for f, name := range csvColumns {
		t.fields[f] = slices.Index(heading, name)
	}
	return t, nil
}

// next is reading, with the line in its error.
func (t *table) next(in *csv.Reader, record []string) (pulse.Reading, error) {
	r, err := t.reading(record)
	if err != nil {
		line, _ := in.FieldPos(0)
		err = fmt.Errorf("line %d: %w", line, err)
	}
	return r, err
}

func (t *table) reading(record []string) (r pulse.Reading, err error) {
	r.Sensor = pulse.SensorID(record[t.sensor])
	if r.Sensor == "" {
		return r, errors.New("there is no sensor")
	}
	if r.At, err = readMillis(record[t.measured]); err != nil {
		return r, err
	}
	r.Arrived = r.At
	if t.arrived >= 0 && record[t.arrived] != "" {
		if r.Arrived, err = readMillis(record[t.arrived]); err != nil {
			return r, err
		}
	}
	for f, column := range t.fields {
		if column < 0 || record[column] == "" {
			continue
		}
		v, err := strconv.ParseFloat(record[column], 64)
		if err != nil {
			return r, fmt.Errorf("%s: %w", csvColumns[f], err)
		}
		if err := pulse.Check(pulse.Field(f), v); err != nil {
			return r, err
		}
		r.Set(pulse.Field(f), v)
	}
	if r.Empty() {
		return r, errors.New("the row has no value")
	}
	return r, nil
}

func readMillis(s string) (time.Time, error) {
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return at, err
	}
	if y := at.Year(); y < 1971 || y > 2200 {
		return at, fmt.Errorf("the year %d cannot be meant", y)
	}
	return at.UTC().Truncate(time.Millisecond), nil
}
