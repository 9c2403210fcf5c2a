// Package push publishes messages to phones by the ntfy protocol: a POST of the text to server/topic, with title,
// priority, tags, link and buttons in the headers (docs.ntfy.sh/publish).
package push

import (
	"context"
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"nightwire/alerts"
	"nightwire/alerts/notify/internal/post"
)

// Push publishes by one server.
type Push struct {
	cfg    Config
	client *http.Client
}

// New checks the config. It connects to nothing.
func New(cfg Config) (*Push, error) {
	cfg, err := cfg.check()
	if err != nil {
		return nil, err
	}
	return &Push{cfg: cfg, client: post.Client()}, nil
}

// maxText is how long a text may be before servers turn it into an attachment (4,096 bytes, docs.ntfy.sh/publish).
const maxText = 4000

// Send publishes m to the person's topic.
func (p *Push) Send(ctx context.Context, m alerts.Message) (retry bool, err error) {
	h := http.Header{}
	h.Set("Title", header(m.Subject))
	h.Set("Priority", strconv.Itoa(priority(m)))
	h.Set("Tags", tag(m))
	h.Set("User-Agent", "nightwire")
	if p.cfg.Token != "" {
		h.Set("Authorization", "Bearer "+p.cfg.Token)
	}
	if m.Link != "" {
		h.Set("Click", m.Link)
		h.Set("Actions", buttons(m.Link))
	}
	address := p.cfg.Server + "/" + url.PathEscape(m.Route.Address)
	if retry, err = post.Do(ctx, p.client, address, h, []byte(short(m.Body))); err != nil {
		return retry, fmt.Errorf("push: %w", err)
	}
	return false, nil
}

// priority is 1 to 5: 5 rings on until it is looked at, 3 is a usual message, 2 makes no sound.
func priority(m alerts.Message) int {
	switch {
	case m.Loud():
		return 5
	case m.Kind == alerts.TellTest, m.Kind == alerts.TellReminder:
		return 4
	case m.Kind == alerts.TellRound:
		return 2
	}
	return 3
}

// tag is a sign that phones show before the title.
func tag(m alerts.Message) string {
	switch {
	case m.Kind == alerts.TellReturned:
		return "white_check_mark"
	case m.Kind == alerts.TellTaken:
		return "raised_hand"
	case m.Kind == alerts.TellTest:
		return "bell"
	case m.Kind == alerts.TellRound:
		return "memo"
	case m.Priority == alerts.High:
		return "rotating_light"
	}
	return "warning"
}

// buttons lets a thumb acknowledge without opening anything: the button posts to the link, which a mere look at it
// never does.
func buttons(link string) string {
	data, err := json.Marshal([]map[string]any{{"action": "http", "label": "I have it", "url": link, "method": "POST", "clear": true}})
	if err != nil {
		panic(err) // strings and a bool
	}
	return string(data)
}

// header makes s fit for a header: one line, and encoded where it is not ASCII (RFC 2047).
func header(s string) string {
	s = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, "?"), func(r rune) bool { return unicode.IsControl(r) || r == ' ' }), " ")
	return mime.BEncoding.Encode("utf-8", s)
}

// short cuts a text to what fits, between lines.
func short(s string) string {
	if len(s) <= maxText {
		return s
	}
	s = s[:maxText]
	for !utf8.ValidString(s) && s != "" {
		s = s[:len(s)-1]
	}
	if i := strings.LastIndexByte(s, '\n'); i > maxText/2 {
		s = s[:i]
	}
	return s + "\n…"
}
