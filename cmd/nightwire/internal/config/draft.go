package config

import (
	"bytes"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"
	"text/template"

	"github.com/goccy/go-yaml"
)

// Draft is what a keeper says of a new farm. Draft.Text makes a farm file of it.
type Draft struct {
	Farm, Timezone string
	Energizer      string
	Supply         string  // battery or mains
	OpenKV         float64 // with the fence unhooked
	OhmsPerKM      float64 // of the wire, all strands together
	Zones          []DraftZone
	Person, MailTo string // who is woken; none when empty
	MailServer     string // as host or host:port
	MailUser       string // its password goes into the file mail-password
}

// DraftZone is one zone of a draft.
type DraftZone struct {
	Name    string
	LengthM float64
	Stock   string
	FedBy   string // the zone before it, or the energizer, when empty
}

// ParseDraftZone reads a zone as NAME:LENGTH_M:STOCK[:FED_BY], with colons or spaces between the parts.
func ParseDraftZone(s string) (DraftZone, error) {
	bad := fmt.Errorf("%q is not a zone\nhint: write its name, its length in metres and its stock, as brook:180:pigs, and after that what feeds it where that is not the zone before it", s)
	parts := strings.FieldsFunc(s, func(r rune) bool { return r == ':' || r == ' ' || r == '\t' })
	if len(parts) < 3 || len(parts) > 4 {
		return DraftZone{}, bad
	}
	length, err := strconv.ParseFloat(strings.TrimSuffix(parts[1], "m"), 64)
	if err != nil || !(length > 0) {
		return DraftZone{}, bad
	}
	parts = append(parts, "")
	return DraftZone{Name: parts[0], LengthM: length, Stock: parts[2], FedBy: parts[3]}, nil
}

// draftText is a farm file of a draft. Values are quoted where a person typed them.
const draftText = `# The farm file of {{.Farm}}. After each change: nightwire check FILE
farm: {{quote .Farm}}
timezone: {{quote .Timezone}}

energizers:
  - name: {{quote .Energizer}}
    supply: {{quote .Supply}}
    open_kv: {{.OpenKV}}              # measure it: fence unhooked, wire against earth well away from the stakes
    # A sensor at its output tells a dead energizer from a broken wire. It may report pulses, supply_v and earth_kv too.
    sensor: {topic: {{topic .Farm .Energizer "output"}}, every: 60s}

# From the energizer outward. The sensor stands at the far end of each zone.
zones:
{{- range .Zones}}
  - name: {{quote .Name}}
    fed_by: {{quote .FedBy}}
    length_m: {{.LengthM}}
    ohms_per_km: {{$.OhmsPerKM}}         # on the wire's label, all strands together; or conductor, to have it computed
    stock: {{quote .Stock}}               # sets the minimum; minimum_kv overrides it
    sensor: {topic: {{topic $.Farm .Name "kv"}}, every: 60s}
{{- end}}
{{if .MailTo}}
# Who is woken, the first on top.
people:
  - name: {{quote .Person}}
    mail: {{quote .MailTo}}

channels:
  mail:
    host: {{quote .Host}}
    port: {{.Port}}
    security: {{.Security}}
{{- if .MailUser}}
    user: {{quote .MailUser}}
    password_file: mail-password   # a file beside this one that holds the password and nothing else
{{- end}}
    from: {{quote .From}}
{{else}}
# Nobody is woken yet. List people with mail, push or webhook, and say under channels how each is sent.
{{end}}
# The built-in broker and the page listen on this machine only. Before you open them to sensors and phones:
# nightwire sensor add NAME gives each sensor its own password; page.password_file gives the page one.
# broker: {listen: "0.0.0.0:1883"}
# page: {listen: "0.0.0.0:8480", password_file: page-password}
`

// mailServer is the part of a draft's mail settings that follows from the server's address.
type mailServer struct {
	Host, Security, From string
	Port                 int
}

// Text returns the farm file of a draft, which passes the check. What does not fit is told as Mistakes, with the lines
// of the file as it would have been.
func (d Draft) Text() ([]byte, error) {
	before := d.Energizer
	d.Zones = slices.Clone(d.Zones)
	for i := range d.Zones {
		if d.Zones[i].FedBy == "" {
			d.Zones[i].FedBy = before
		}
		before = d.Zones[i].Name
	}
	data := struct {
		Draft
		mailServer
	}{Draft: d}
	if d.MailTo != "" {
		server, err := d.server()
		if err != nil {
			return nil, err
		}
		data.mailServer = server
	}
	topic := func(parts ...string) string { return Quote(strings.Join(parts, "/")) }
	t := template.Must(template.New("farm").Funcs(template.FuncMap{"quote": Quote, "topic": topic}).Parse(draftText))
	var b bytes.Buffer
	if err := t.Execute(&b, data); err != nil {
		return nil, fmt.Errorf("write the farm file: %w", err)
	}
	if _, err := Parse("the new farm file", b.Bytes()); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// Quote returns a text as a farm file has it: as it is where YAML takes it for a text, else in quotes.
func Quote(s string) string {
	b, err := yaml.Marshal(s)
	if text := strings.TrimSpace(string(b)); err == nil && !strings.ContainsAny(s, ",[]{}\n") {
		return text
	}
	return strconv.Quote(s) // inside {…} more has to be quoted than outside
}

// server returns how to reach the draft's mail server: without TLS on this machine only, TLS from the start on its
// port 465, STARTTLS elsewhere (RFC 8314).
func (d *Draft) server() (mailServer, error) {
	if d.MailServer == "" {
		return mailServer{}, fmt.Errorf("there is no mail server to send to %s by\nhint: give your provider's, as smtp.example.org or smtp.example.org:587", d.MailTo)
	}
	host, port, err := net.SplitHostPort(d.MailServer)
	if err != nil {
		host, port = d.MailServer, ""
	}
	s := mailServer{Host: host, Security: "starttls", Port: 587, From: d.MailTo}
	ip := net.ParseIP(host)
	switch {
	case host == "localhost" || ip != nil && ip.IsLoopback():
		s.Security, s.Port = "none", 25
	case port == "465":
		s.Security = "tls"
	}
	if port == "" {
		return s, nil
	}
	if s.Port, err = strconv.Atoi(port); err != nil {
		return mailServer{}, fmt.Errorf("%q is not a mail server\nhint: write it as smtp.example.org:587", d.MailServer)
	}
	return s, nil
}
