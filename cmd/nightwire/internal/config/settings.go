package config

import (
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Where things listen unless told otherwise: on this machine only.
const (
	DefaultBrokerListen = "127.0.0.1:1883"
	DefaultPageListen   = "127.0.0.1:8480"
)

// DefaultHeartbeat is how often an outside address is told that all is well.
const DefaultHeartbeat = 5 * time.Minute

// Defaults of Alarms.
const (
	defaultRepeatEvery   = 10 * time.Minute
	defaultEscalateAfter = 15 * time.Minute
	defaultMorning       = Clock(7 * 60)
	defaultEvening       = Clock(19 * 60)
	minHeartbeat         = 30 * time.Second
	defaultTestDay       = "monday"
	defaultTestAt        = Clock(10 * 60) // common practice, no source: by day, and on a day when people are about
	defaultTestAnswer    = 4 * time.Hour
	defaultKeepMinutes   = 730 * 24 * time.Hour // so that a season can be held against the last one
)

// settings checks everything but the fence itself and fills in its defaults.
func (r *reader) settings(c *Config, f *file) {
	r.alarms(&c.Alarms, &f.Alarms)
	r.letters(c, &f.Letters)
	r.upkeep(&c.Upkeep, &f.Upkeep)
	r.broker(c, &f.Broker)
	r.page(c, &f.Page)
	r.channels(c)
	r.people(c, f)
	r.store(&c.Store, &f.Store)
	if h := f.Heartbeat; h != nil {
		if r.absent(&h.Every) {
			h.Every = DefaultHeartbeat
		}
		r.within(&h.Every, h.Every, minHeartbeat, 24*time.Hour, "every")
	}
	if i := f.Mirror.Influx; i != nil {
		r.checkURL(&i.URL, i.URL, "http", "https")
		r.checkURL(&i.QueryURL, i.QueryURL, "http", "https")
	}
}

// store fills in how long minutes are kept, and checks that no level goes before a finer one.
func (r *reader) store(s, written *Store) {
	levels := []struct {
		field *time.Duration
		name  string
	}{{&written.Keep, "keep"}, {&written.KeepMinutes, "keep_minutes"}, {&written.KeepHours, "keep_hours"}}
	for i, l := range levels {
		r.within(l.field, *l.field, 24*time.Hour, 100*365*24*time.Hour, l.name)
		if i == 0 || r.absent(l.field) {
			continue
		}
		if r.absent(levels[0].field) {
			r.blame(l.field, "give keep too, or neither", "%s has no effect without keep: every reading is kept", l.name)
			return
		}
		for _, finer := range levels[:i] {
			if r.given(finer.field) && *l.field < *finer.field {
				r.blame(l.field, "coarser values take less room: keep them at least as long", "%s is %s, and %s is longer: %s", l.name, short(*l.field), finer.name, short(*finer.field))
			}
		}
	}
	if s.Keep > 0 && r.absent(&written.KeepMinutes) {
		s.KeepMinutes = max(s.Keep, defaultKeepMinutes)
		if s.KeepHours > 0 {
			s.KeepMinutes = min(s.KeepMinutes, s.KeepHours)
		}
	}
}

// Conditions returns the conditions that alarms.conditions may change.
func Conditions() []string {
	var out []string
	for _, c := range []alerts.Condition{
		alerts.Dead, alerts.Low, alerts.Dropping, alerts.Growth, alerts.Intermittent, alerts.Silent, alerts.Off,
		alerts.Weak, alerts.Earth, alerts.FaultySensor, alerts.BadJoint,
		alerts.Test, alerts.Channel, alerts.Queue, alerts.Storage, alerts.Clock,
	} {
		out = append(out, string(c))
	}
	return out
}

func (r *reader) alarms(a, written *Alarms) {
	if !r.given(&written.Quiet) {
		a.Quiet = Span{From: 22 * 60, To: 7 * 60}
	}
	if !r.given(&written.RepeatEvery) {
		a.RepeatEvery = defaultRepeatEvery
	}
	if !r.given(&written.EscalateAfter) {
		a.EscalateAfter = defaultEscalateAfter
	}
	if !r.given(&written.Morning) {
		a.Morning = defaultMorning
	}
	if !r.given(&written.Evening) {
		a.Evening = defaultEvening
	}
	r.weeklyTest(&a.WeeklyTest, &written.WeeklyTest)
	r.within(&written.RepeatEvery, a.RepeatEvery, time.Minute, 24*time.Hour, "repeat_every")
	r.within(&written.EscalateAfter, a.EscalateAfter, time.Minute, 24*time.Hour, "escalate_after")
	for name, rule := range written.Conditions {
		at := entry{&written.Conditions, name}
		r.knownKey(at, "condition", Conditions())
		if rule.OnDelay < 0 || rule.OnDelay > 24*time.Hour || rule.OffDelay < 0 || rule.OffDelay > 24*time.Hour {
			r.blame(at, "", "%s has a delay that is not between 0s and 24h", name)
		}
	}
}

func (r *reader) weeklyTest(t, written *WeeklyTest) {
	if r.absent(&written.Day) {
		t.Day = defaultTestDay
	}
	if !r.given(&written.At) {
		t.At = defaultTestAt
	}
	if !r.given(&written.AnswerWithin) {
		t.AnswerWithin = defaultTestAnswer
	}
	r.within(&written.AnswerWithin, t.AnswerWithin, 10*time.Minute, 24*time.Hour, "answer_within")
}

func (r *reader) broker(c *Config, b *Broker) {
	if b.Embedded() {
		if !r.given(&b.Listen) {
			c.Broker.Listen = DefaultBrokerListen
		}
		r.checkListen(&b.Listen, b.Listen)
		for _, field := range []any{&b.User, &b.Password, &b.CAFile, &b.ClientID} {
			if r.given(field) {
				r.blame(field, "give broker.url, or take this out", "this is for a broker of your own, and there is no url")
			}
		}
		r.checkPair(&b.CertFile, &b.KeyFile)
		return
	}
	r.checkURL(&b.URL, b.URL, "mqtt", "mqtts", "ws", "wss")
	for _, field := range []any{&b.Listen, &b.CertFile, &b.KeyFile} {
		if r.given(field) {
			r.blame(field, "take out url to use the built-in broker, or take this out", "this is for the built-in broker, and url names another")
		}
	}
	if !r.given(&b.ClientID) {
		c.Broker.ClientID = "nightwire-" + c.Farm.Name
	}
}

func (r *reader) page(c *Config, p *Page) {
	if !r.given(&p.Listen) {
		c.Page.Listen = DefaultPageListen
	}
	host := r.checkListen(&p.Listen, p.Listen)
	if r.given(&p.Listen) && !p.Password.Given() && host != "" && !loopback(host) {
		r.blame(&p.Listen, "give page.password_file, or listen on 127.0.0.1", "the page would be open to the network without a password")
	}
	if r.given(&p.URL) {
		r.checkURL(&p.URL, p.URL, "http", "https")
	}
	r.checkPair(&p.CertFile, &p.KeyFile)
}

// checkListen notes what is not host:port. It returns the host, with * for every address.
func (r *reader) checkListen(field any, listen string) string {
	if !r.given(field) {
		return ""
	}
	host, port, err := net.SplitHostPort(listen)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		r.blame(field, "write it as 127.0.0.1:8480, or :8480 for all networks", "%s is not host:port", clip(listen))
		return ""
	}
	if host == "" {
		host = "*"
	}
	return host
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// checkPair notes a certificate without its key, or the other way round.
func (r *reader) checkPair(cert, key *string) {
	if r.given(cert) != r.given(key) {
		field := cert
		if r.given(key) {
			field = key
		}
		r.blame(field, "give both", "cert_file and key_file belong together")
	}
}

// checkURL notes an address that is not complete or has a secret in it.
func (r *reader) checkURL(field any, address string, schemes ...string) {
	if !r.given(field) {
		return
	}
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme):
		r.blame(field, fmt.Sprintf("write it as %s://host, with one of: %s", schemes[0], strings.Join(schemes, ", ")), "this is not a complete address")
	case u.User != nil:
		r.blame(field, "a secret does not stand in this file: use user and password_file", "the address has a user name or password in it")
	}
}

func (r *reader) channels(c *Config) {
	if m := c.Channels.Mail; m != nil {
		r.mail(m)
	}
	if p := c.Channels.Push; p != nil {
		r.checkURL(&p.Server, p.Server, "https", "http")
	}
	if s := c.Channels.State; s != nil {
		r.checkTopic(&s.Topic, s.Topic)
		if s.Discovery != "" {
			r.checkTopic(&s.Discovery, s.Discovery)
		}
	}
}

func (r *reader) mail(m *Mail) {
	if r.absent(&m.Security) {
		m.Security = "starttls"
	}
	switch {
	case r.given(&m.Port):
		r.between(&m.Port, float64(m.Port), 1, 65535, "port", "")
	case m.Security == "tls":
		m.Port = 465
	case m.Security == "none":
		m.Port = 25
	default:
		m.Port = 587
	}
	if m.Security == "none" && m.Password.Given() && !loopback(m.Host) {
		r.blame(&m.Security, "use starttls or tls", "the password would cross the network in the clear")
	}
	r.checkMail(&m.From, m.From)
	if r.given(&m.Host) && (m.Host == "" || strings.ContainsAny(m.Host, " /:@")) {
		r.blame(&m.Host, "write the name alone, as smtp.example.org; port has its own key", "%s is not a host name", clip(m.Host))
	}
}

func (r *reader) checkMail(field any, address string) {
	if !r.given(field) {
		return
	}
	if _, err := mail.ParseAddress(address); err != nil || strings.ContainsAny(address, "\r\n") {
		r.blame(field, "write it as name@example.org", "%s is not a mail address", clip(address))
	}
}

// people checks who is told and returns them to the farm in their order.
func (r *reader) people(c *Config, f *file) {
	seen := map[string]bool{}
	for i := range f.People {
		p := &f.People[i]
		if r.given(&p.Name) && (strings.TrimSpace(p.Name) == "" || seen[p.Name]) {
			r.blame(&p.Name, "give each person a name of their own", "the name %s is empty or used before", clip(p.Name))
		}
		seen[p.Name] = true
		out := farm.Person{Name: p.Name, Order: i + 1, Quiet: farm.Hours(c.Alarms.Quiet), Routes: r.routes(p, &c.Channels),
			Letters: r.personLetters(p)}
		if r.given(&p.Order) {
			r.between(&p.Order, float64(p.Order), 1, 1000, "order", "")
			out.Order = p.Order
		}
		if r.given(&p.Quiet) {
			out.Quiet = farm.Hours(p.Quiet)
		}
		if len(out.Routes) == 0 && r.given(p) {
			r.blame(p, "give mail, push or webhook", "there is no way to reach %s", clip(p.Name))
		}
		c.Farm.People = append(c.Farm.People, out)
	}
	slices.SortStableFunc(c.Farm.People, func(a, b farm.Person) int { return a.Order - b.Order })
	if len(c.Farm.People) > 0 && c.Farm.People[0].Letters == nil {
		c.Farm.People[0].Letters = farm.LetterKinds()
	}
}

// routes returns the ways to reach a person, the loudest first, and notes those that no channel serves.
func (r *reader) routes(p *person, c *Channels) []farm.Route {
	var out []farm.Route
	for _, w := range []struct {
		channel string
		address *string
		served  bool
	}{
		{"push", &p.Push, c.Push != nil},
		{"mail", &p.Mail, c.Mail != nil},
		{"webhook", &p.Webhook, c.Webhook != nil},
	} {
		if !r.given(w.address) {
			continue
		}
		if !w.served {
			r.blame(w.address, "say how it is sent under channels."+w.channel, "%s has a %s address, and there is no channel for it", clip(p.Name), w.channel)
		}
		out = append(out, farm.Route{Channel: w.channel, Address: *w.address})
	}
	r.checkMail(&p.Mail, p.Mail)
	r.checkURL(&p.Webhook, p.Webhook, "https", "http")
	if r.given(&p.Push) && (p.Push == "" || strings.ContainsAny(p.Push, "/ ?#")) {
		r.blame(&p.Push, "write the topic's name alone: the server is in channels.push", "%s is not a push topic", clip(p.Push))
	}
	return out
}
