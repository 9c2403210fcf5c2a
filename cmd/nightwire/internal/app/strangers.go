package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"slices"
	"strings"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/decode"
	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
)

const (
	everything      = "#"  // the filter that takes in all topics
	maxStrangers    = 1000 // topics; a broker full of other things is asked with a narrower filter
	strangerPayload = 100  // bytes of a payload that are shown
	connectWait     = 15 * time.Second
)

// heard is a topic on which something was said.
type heard struct {
	times       int
	first, last time.Time
	payload     []byte
}

// every returns how often the topic speaks, as a farm file says it; 0 when that is not known yet.
func (h *heard) every() time.Duration {
	if h.times < 2 {
		return 0
	}
	return max(time.Second, (h.last.Sub(h.first) / time.Duration(h.times-1)).Round(time.Second))
}

// ListenOptions says how to listen for sensors that the farm file does not know. All but Log are required.
type ListenOptions struct {
	Config *config.Config
	Filter string        // an MQTT topic filter
	For    time.Duration // how long
	Out    io.Writer
	Log    *slog.Logger
	Now    func() time.Time
}

// ListenForStrangers listens at the broker, and writes which topics speak that the farm file does not know, with a line
// for the farm file where the payload can be read, and which of its sensors were not heard.
func ListenForStrangers(ctx context.Context, opts ListenOptions) error {
	known, err := newSensors(&opts.Config.Farm)
	if err != nil {
		return err
	}
	all, connected := map[string]*heard{}, make(chan struct{}, 1)
	note := func(topic string, payload []byte, arrived time.Time, _ bool) ([]pulse.Reading, error) {
		h := all[topic]
		if h == nil {
			if len(all) == maxStrangers {
				return nil, nil
			}
			h = &heard{first: arrived}
			all[topic] = h
		}
		h.times, h.last, h.payload = h.times+1, arrived, slices.Clone(payload)
		return nil, nil
	}
	live, err := mqtt.NewLive(mqtt.LiveOptions{
		Config: listenConfig(opts.Config), Password: opts.Config.Broker.Password.Reveal(), Topics: []string{opts.Filter},
		Decode: note, Observe: func([]pulse.Reading) {}, Log: opts.Log, Now: opts.Now,
		Connected: func(bool) { poke(connected) },
	})
	if err != nil {
		return err
	}
	listening, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- live.Run(listening) }()
	err = await(ctx, connected, opts.For)
	cancel()
	if err := errors.Join(err, <-ended); err != nil {
		return err
	}
	return writeStrangers(opts, known, all)
}

// await waits for the connection, and then for as long as to listen. An interrupt ends the listening early.
func await(ctx context.Context, connected <-chan struct{}, wait time.Duration) error {
	timer := time.NewTimer(connectWait)
	defer timer.Stop()
	select {
	case <-connected:
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("no connection to the broker in %s\nhint: does it run, and does it let this program in? Where each sensor has a password, the built-in broker hears no others, and there is nobody to discover", connectWait)
	}
	timer.Reset(wait)
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
	return nil
}

// listenConfig returns how a program beside the night watch reaches the broker.
func listenConfig(cfg *config.Config) mqtt.Config {
	b := cfg.Broker
	if !b.Embedded() {
		return mqtt.Config{URL: b.URL, User: b.User, CAFile: besideFile(cfg.Path, b.CAFile)}
	}
	host, port, err := net.SplitHostPort(b.Listen)
	if ip := net.ParseIP(host); err == nil && (host == "" || ip != nil && ip.IsUnspecified()) {
		host = "127.0.0.1"
	}
	c := mqtt.Config{URL: "mqtt://" + net.JoinHostPort(host, port)}
	if b.CertFile != "" {
		c.URL, c.CAFile = "mqtts://"+net.JoinHostPort(host, port), besideFile(cfg.Path, b.CertFile)
	}
	return c
}

func writeStrangers(opts ListenOptions, known sensors, all map[string]*heard) error {
	var b strings.Builder
	strangers := 0
	for _, topic := range slices.Sorted(maps.Keys(all)) {
		h := all[topic]
		if _, ok := known[topic]; ok || strings.HasPrefix(topic, "$") {
			continue
		}
		strangers++
		fmt.Fprintf(&b, "%s, heard %s\n  last: %s\n  %s\n", topic, times(h.times), printable(h.payload), suggestion(topic, h))
	}
	if strangers == 0 {
		b.WriteString("Nothing was heard on a topic that the farm file does not know.\n")
	}
	for _, topic := range slices.Sorted(maps.Keys(known)) {
		if all[topic] == nil && opts.Filter == everything {
			fmt.Fprintf(&b, "Not heard: %s on %s. It may report less often than you listened.\n", known[topic].source, topic)
		}
	}
	if len(all) == maxStrangers {
		fmt.Fprintf(&b, "Only the first %d topics are told; listen with a narrower --topic.\n", maxStrangers)
	}
	_, err := io.WriteString(opts.Out, b.String())
	return err
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// suggestion returns a line for the farm file that reads what the topic says.
func suggestion(topic string, h *heard) string {
	f, r, err := decode.Guess(h.payload, h.last)
	if err != nil {
		return "not read as a sensor: " + err.Error()
	}
	line := "sensor: {topic: " + config.Quote(topic)
	if every := h.every(); every > 0 {
		line += ", every: " + every.String()
	}
	if f.Kind == "pointer" {
		var fields []string
		for _, key := range decode.Keys() {
			if at, ok := f.Pointers[key]; ok {
				fields = append(fields, key+": "+config.Quote(at))
			}
		}
		line += ", format: pointer, fields: {" + strings.Join(fields, ", ") + "}"
	}
	volts, _ := r.Get(pulse.Volts)
	return fmt.Sprintf("reads as %.2f kV with\n  %s}", volts/1000, line)
}

// printable returns the start of a payload, fit for a terminal.
func printable(b []byte) string {
	more := ""
	if len(b) > strangerPayload {
		b, more = b[:strangerPayload], "…"
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(string(b), "?")) + more
}
