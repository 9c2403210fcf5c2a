package influx

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

// fluxFrom begins a query for one sensor. Names are quoted as Flux strings, which are written as Go's are except that
// a dollar sign before a brace begins an expression (Flux language specification, "String literals").
func (c *Client) fluxFrom(sensor pulse.SensorID, from, to time.Time) string {
	return fmt.Sprintf(`from(bucket: %s) |> range(start: %s, stop: %s) |> filter(fn: (r) => r._measurement == %s and r.%s == %s)`,
		fluxString(c.cfg.Bucket), fluxTime(from), fluxTime(to), fluxString(c.cfg.Measurement), tagSensor, fluxString(string(sensor)))
}

func fluxString(s string) string { return strings.ReplaceAll(strconv.Quote(s), "${", `\${`) }

func fluxTime(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

func (c *Client) fluxReadings(ctx context.Context, g *gathered, from, to time.Time) error {
	res, err := c.query.Query(ctx, c.fluxFrom(g.sensor, from, to))
	if err != nil {
		return err
	}
	defer res.Close()
	for res.Next() {
		r := res.Record()
		if v, ok := r.Value().(float64); ok {
			g.set(r.Time().UnixMilli(), r.Field(), v)
		}
	}
	return res.Err()
}

func (c *Client) fluxHours(ctx context.Context, by map[int64]*Hour, sensor pulse.SensorID, f pulse.Field, from, to time.Time) error {
	var q strings.Builder
	fmt.Fprintf(&q, "data = %s |> filter(fn: (r) => r._field == %s)\n", c.fluxFrom(sensor, from, to), fluxString(f.String()))
	for _, figure := range []string{"min", "max", "mean", "count"} {
		fmt.Fprintf(&q, "data |> aggregateWindow(every: 1h, fn: %s, timeSrc: \"_start\", createEmpty: false) |> yield(name: %q)\n", figure, figure)
	}
	res, err := c.query.Query(ctx, q.String())
	if err != nil {
		return err
	}
	defer res.Close()
	for res.Next() {
		r := res.Record()
		h := hourAt(by, r.Time().UnixMilli())
		switch v := r.Value().(type) {
		case float64:
			h.set(r.Result(), v)
		case int64:
			h.set(r.Result(), float64(v))
		}
	}
	return res.Err()
}
