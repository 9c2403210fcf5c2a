package influx

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

// maxAnswerBytes bounds what is read of an answer: a week of a reading a second is some 40 MB.
const maxAnswerBytes = 64 << 20

// promSteps is how many steps one range query may have. Prometheus allows 11,000.
const promSteps = 10_000

// series is one of an answer: labels, and pairs of a time in seconds and a value as text.
type series struct {
	Metric map[string]string `json:"metric"`
	Values []sample          `json:"values"`
}

// sample is a time in milliseconds and a value.
type sample struct {
	ms    int64
	value float64
}

// UnmarshalJSON reads a pair as Prometheus writes it: [1700000000.123, "5.2"].
func (s *sample) UnmarshalJSON(b []byte) error {
	var pair [2]json.RawMessage
	if err := json.Unmarshal(b, &pair); err != nil {
		return err
	}
	at, err := strconv.ParseFloat(string(pair[0]), 64)
	if err != nil {
		return fmt.Errorf("time of a sample: %w", err)
	}
	s.value, err = strconv.ParseFloat(strings.Trim(string(pair[1]), `"`), 64)
	if err != nil {
		return fmt.Errorf("value of a sample: %w", err)
	}
	s.ms = int64(at*1000 + 0.5)
	return nil
}

// promReadings asks for the raw samples of all fields: a range selector at one moment gives them as they were written.
// It takes in what is after its window's start, and at its end.
func (c *Client) promReadings(ctx context.Context, g *gathered, from, to time.Time) error {
	q := fmt.Sprintf(`{__name__=~%q, %s=%q}[%dms]`, c.cfg.Measurement+"_.+", tagSensor, string(g.sensor), to.Sub(from).Milliseconds())
	all, err := c.prom(ctx, "query", url.Values{"query": {q}, "time": {promTime(to.Add(-time.Millisecond))}})
	if err != nil {
		return err
	}
	for _, s := range all {
		field := strings.TrimPrefix(s.Metric["__name__"], c.cfg.Measurement+"_")
		for _, v := range s.Values {
			g.set(v.ms, field, v.value)
		}
	}
	return nil
}

// promHours asks for what each hour did. A window ends at its step and takes that in, so the offset of a millisecond
// makes it the hour before the step, without the step.
func (c *Client) promHours(ctx context.Context, by map[int64]*Hour, sensor pulse.SensorID, f pulse.Field, from, to time.Time) error {
	end := to.Add(time.Hour - 1).Truncate(time.Hour)
	for at := from; at.Before(to); at = at.Add(promSteps * time.Hour) {
		last := at.Add(promSteps * time.Hour)
		if last.After(end) {
			last = end
		}
		for figure, fn := range map[string]string{"min": "min", "max": "max", "mean": "avg", "count": "count"} {
			all, err := c.prom(ctx, "query_range", url.Values{
				"query": {fmt.Sprintf(`%s_over_time(%s_%s{%s=%q}[1h] offset 1ms)`, fn, c.cfg.Measurement, f, tagSensor, string(sensor))},
				// nocache keeps VictoriaMetrics from moving the ends to where its cache has them.
				"start": {promTime(at.Add(time.Hour))}, "end": {promTime(last)}, "step": {"3600"}, "nocache": {"1"},
			})
			if err != nil {
				return err
			}
			setHours(by, figure, all)
		}
	}
	return nil
}

// setHours sets a figure of the hours that end at the steps of an answer.
func setHours(by map[int64]*Hour, figure string, all []series) {
	for _, s := range all {
		for _, v := range s.Values {
			hourAt(by, v.ms-time.Hour.Milliseconds()).set(figure, v.value)
		}
	}
}

func promTime(t time.Time) string {
	return strconv.FormatFloat(float64(t.UnixMilli())/1000, 'f', 3, 64)
}

// prom asks in PromQL.
func (c *Client) prom(ctx context.Context, path string, form url.Values) ([]series, error) {
	address := strings.TrimSuffix(c.cfg.QueryURL, "/") + "/api/v1/" + path
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, strings.NewReader(form.Encode()))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if c.cfg.Token != "" {
		req.Header.Set("Authorization", "Bearer "+c.cfg.Token) // what proxies before Prometheus' API take
	}
	res, err := c.http.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, maxAnswerBytes+1))
	if err != nil {
		return nil, err
	}
	if len(body) > maxAnswerBytes {
		return nil, fmt.Errorf("the answer is longer than %d bytes", maxAnswerBytes)
	}
	return parseProm(res.StatusCode, body)
}

// parseProm reads an answer of Prometheus' query API.
func parseProm(status int, body []byte) ([]series, error) {
	var answer struct {
		Status, Error string
		Data          struct {
			Result []series `json:"result"`
		}
	}
	err := json.Unmarshal(body, &answer)
	switch {
	case status != http.StatusOK && answer.Error != "":
		return nil, fmt.Errorf("status %d: %s", status, answer.Error)
	case status != http.StatusOK:
		return nil, fmt.Errorf("status %d", status)
	case err != nil:
		return nil, err
	case answer.Status != "success":
		return nil, errors.New("the answer is not a success")
	}
	return answer.Data.Result, nil
}
