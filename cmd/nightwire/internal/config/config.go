// Package config reads the farm file: it checks everything in one run, fills in defaults, and tells the keeper line by
// line what to mend. It also prints what a checked file promises.
package config

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	_ "time/tzdata" // a small board may have no time zones of its own

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Config is a farm file that has been read and checked, with its defaults filled in.
type Config struct {
	Path     string // of the file
	Farm     farm.Farm
	Alarms   Alarms
	Letters  Letters
	Upkeep   Upkeep
	Broker   Broker
	Channels Channels
	Page     Page
	Store    Store
	Mirror   Mirror

	Heartbeat *Heartbeat // nil for none

	reader *reader // knows the lines, for what is found wrong later
}

// Alarms says how alarms behave.
type Alarms struct {
	Quiet         Span            `key:"quiet" doc:"the hours in which only high priority may wake anyone, for people without their own: 22:00-07:00, or none"`
	RepeatEvery   time.Duration   `key:"repeat_every" doc:"how often a high alarm is sent again to the same person until it is acknowledged"`
	EscalateAfter time.Duration   `key:"escalate_after" doc:"how long until an alarm nobody acknowledged goes to the next person"`
	Morning       Clock           `key:"morning" doc:"when medium alarms of the night are sent: 07:00"`
	Evening       Clock           `key:"evening" doc:"when low alarms are sent, with the evening round: 19:00"`
	WeeklyTest    WeeklyTest      `key:"weekly_test" doc:"a test message to everybody each week, which somebody is to answer"`
	Conditions    map[string]Rule `key:"conditions" doc:"changes to single conditions, such as low: {priority: medium, on_delay: 10m}"`
}

// WeeklyTest says when the weekly test message is sent.
type WeeklyTest struct {
	Day          string        `key:"day" oneof:"monday|tuesday|wednesday|thursday|friday|saturday|sunday|never" doc:"its day, as monday, or never; monday when left out"`
	At           Clock         `key:"at" doc:"its time of day; 10:00 when left out"`
	AnswerWithin time.Duration `key:"answer_within" doc:"how long until everybody is told that nobody answered; 4h when left out"`
}

// Off reports whether there is to be none.
func (t *WeeklyTest) Off() bool { return t.Day == Never }

// Never is the day of a test that is not wanted.
const Never = "never"

// Weekday returns its day.
func (t *WeeklyTest) Weekday() time.Weekday {
	for d := time.Sunday; d <= time.Saturday; d++ {
		if strings.EqualFold(d.String(), t.Day) {
			return d
		}
	}
	return time.Monday
}

// Rule changes how one condition is handled. What is not given stays as the program has it.
type Rule struct {
	Priority alerts.Priority `key:"priority" doc:"high, medium or low"`
	OnDelay  time.Duration   `key:"on_delay" doc:"how long the condition must hold before the alarm is raised"`
	OffDelay time.Duration   `key:"off_delay" doc:"how long all must be well before the alarm returns to normal"`
}

// Broker says where sensors' messages come from.
type Broker struct {
	URL      string `key:"url" doc:"an MQTT broker of your own, as mqtt://host:1883, mqtts://, ws:// or wss://; leave it out to use the one built in"`
	User     string `key:"user" doc:"the user name at that broker"`
	Password Secret `key:"password_file" doc:"the file that holds the password at that broker"`
	CAFile   string `key:"ca_file" doc:"the file with the certificate authority that signed that broker's certificate"`
	ClientID string `key:"client_id" doc:"the name under which that broker keeps our session"`
	Listen   string `key:"listen" doc:"where the built-in broker listens, as host:port"`
	CertFile string `key:"cert_file" doc:"the certificate of the built-in broker, for TLS"`
	KeyFile  string `key:"key_file" doc:"the private key to that certificate"`
}

// Embedded reports whether the broker built in is used.
func (b *Broker) Embedded() bool { return b.URL == "" }

// Page says where the page is served.
type Page struct {
	Listen   string `key:"listen" doc:"where the page listens, as host:port"`
	URL      string `key:"url" doc:"the page's address as people's phones reach it, for links in messages"`
	Password Secret `key:"password_file" doc:"the file that holds the page's password; needed to listen beyond this machine"`
	CertFile string `key:"cert_file" doc:"the page's certificate, for HTTPS"`
	KeyFile  string `key:"key_file" doc:"the private key to that certificate"`

	MetricsToken Secret `key:"metrics_token_file" doc:"the file that holds the token with which a program reads /metrics without the page's password"`
}

// Secure reports whether people reach the page by HTTPS, its own or a proxy's.
func (p *Page) Secure() bool { return p.CertFile != "" || strings.HasPrefix(p.URL, "https://") }

// Channels says how messages are sent. A channel that is not given is nil.
type Channels struct {
	Mail    *Mail    `key:"mail" doc:"mail by your provider's server"`
	Push    *Push    `key:"push" doc:"push messages by a server that speaks the ntfy protocol"`
	Webhook *Webhook `key:"webhook" doc:"JSON posted to an address of each person's"`
	State   *State   `key:"state" doc:"the farm's state on an MQTT topic, for a lamp or a siren"`
}

// Mail is a mail server to send by.
type Mail struct {
	Host     string `key:"host,need" doc:"the mail server's name"`
	Port     int    `key:"port" doc:"its port: 587 with starttls, 465 with tls, 25 with none"`
	Security string `key:"security" oneof:"starttls|tls|none" doc:"starttls, tls, or none (only for a server on this machine)"`
	User     string `key:"user" doc:"the user name at the server"`
	Password Secret `key:"password_file" doc:"the file that holds the password at the server"`
	From     string `key:"from,need" doc:"the sender's address"`
}

// Push is a push server to send by. The topic is each person's.
type Push struct {
	Server string `key:"server,need" doc:"the push server's address, as https://push.example.org"`
	Token  Secret `key:"token_file" doc:"the file that holds the access token at the server"`
}

// Webhook says how posted messages are signed.
type Webhook struct {
	Secret Secret `key:"secret_file,need" doc:"the file that holds the secret that signs each message"`
}

// State is the topic under which the farm's state is retained.
type State struct {
	Topic string `key:"topic,need" doc:"the topic under which farm, zones and alarms are published"`

	Discovery string `key:"discovery" doc:"the prefix under which home automation looks for devices (MQTT discovery), as homeassistant; off when left out"`
}

// Heartbeat is an outside address that is asked for again and again while the watch is well.
type Heartbeat struct {
	URL   Secret        `key:"url_file,need" doc:"the file that holds the address to GET while the watch is well; whoever knows it could feign that"`
	Every time.Duration `key:"every" doc:"how often; 5m when left out"`
}

// Store says how long readings are kept. A zero Keep or KeepHours is for good.
type Store struct {
	Keep        time.Duration `key:"keep" doc:"how long single readings are kept, as 90d; leave it out to keep all"`
	KeepMinutes time.Duration `key:"keep_minutes" doc:"how long each minute's least, greatest and mean are kept after that, and the readings of sensors that report at most three times a minute; 730d when left out, or as long as keep"`
	KeepHours   time.Duration `key:"keep_hours" doc:"how long each hour's least, greatest and mean are kept after that; leave it out to keep them for good"`
}

// Mirror says where readings are copied to. A mirror that is not given is nil.
type Mirror struct {
	Influx *Influx `key:"influx" doc:"an InfluxDB v2 API"`
}

// Influx is an InfluxDB v2 API to write to.
type Influx struct {
	URL         string `key:"url,need" doc:"its address, as https://host:8086; readings go to <url>/api/v2/write, so it may have a path"`
	Org         string `key:"org" doc:"the organisation there"`
	Bucket      string `key:"bucket,need" doc:"the bucket there"`
	Token       Secret `key:"token_file" doc:"the file that holds the access token there"`
	Query       string `key:"query" oneof:"flux|promql" doc:"in what it is asked for old readings: flux (InfluxDB; default) or promql (VictoriaMetrics)"`
	QueryURL    string `key:"query_url" doc:"where it is asked, if not at url: http://host:8481/select/0/prometheus"`
	Measurement string `key:"measurement" doc:"the name under which readings are written: fence"`
}

// MaxFileBytes is the longest farm file that is read. One of a thousand zones stays under it.
const MaxFileBytes = 1 << 20

// Load reads and checks a farm file. When there is anything wrong with it the error is of type Mistakes and has all of
// it. Secrets are not read yet: see ReadSecrets.
func Load(path string) (*Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open farm file: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read farm file: %w", err)
	}
	return Parse(path, text)
}

// Parse checks the text of a farm file. Path is what mistakes call it, and where relative names of secret files start.
func Parse(path string, text []byte) (*Config, error) {
	r := &reader{file: path, at: map[any]*node{}, broken: map[any]bool{}, hidden: map[int]int{}}
	if len(text) > MaxFileBytes {
		r.note(&node{line: 1, column: 1, width: 1}, fmt.Sprintf("the file is longer than %d bytes", MaxFileBytes), "is it a farm file?")
		return nil, r.mistakes
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	r.lines = splitLines(text)
	root := r.parse(text)
	if root == nil {
		if len(r.mistakes) == 0 {
			r.note(&node{line: 1, column: 1, width: 1}, "the file is empty", "deploy/examples has one to start from")
		}
		return nil, r.mistakes
	}
	var f file
	r.fill(reflect.ValueOf(&f).Elem(), root, "the farm file")
	cfg := r.build(&f)
	if len(r.mistakes) > 0 {
		r.mistakes.sort()
		return nil, r.mistakes
	}
	r.at, r.broken = nil, nil // only secrets can turn out wrong later, and each knows its place
	cfg.Path = path
	cfg.setSecretDir(filepath.Dir(path))
	return cfg, nil
}
