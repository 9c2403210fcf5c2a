// Package webhook posts messages as JSON to addresses of people's own, signed so that the receiver knows whom they come
// from. For example:
//
//	POST /their/path HTTP/1.1
//	Content-Type: application/json
//	X-Nightwire-Message: 5b2c…                 the same when a message comes twice
//	X-Nightwire-Timestamp: 1776733800          Unix seconds, when it was sent
//	X-Nightwire-Signature: sha256=0f3a…        hex HMAC-SHA256 of "<timestamp>.<body>" under the shared secret
//
//	{"version":1,"message":"5b2c…","kind":"raised","farm":"alder-bank","person":"Orla","priority":"high",
//	 "time":"2026-04-21T01:10:00Z","subject":"…","text":"…","acknowledge_url":"https://…",
//	 "alarms":[{"id":"…","time":"…","event":"raised","source":"zone/brook","condition":"dead","cause":"open", …}]}
//
// Kind is raised, updated, repeat, escalated, acknowledged, returned, reminder, round or test. Alarms are as replay prints
// them, most urgent first; each time is the moment of its newest event. A receiver should compare signatures in constant
// time, refuse timestamps more than five minutes off, and answer 2xx once it has the message; see post.Do for the rest.
package webhook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/notify/internal/post"
)

// Webhook posts messages.
type Webhook struct {
	cfg    Config
	client *http.Client
}

// New checks the config. It connects to nothing.
func New(cfg Config) (*Webhook, error) {
	cfg, err := cfg.check()
	if err != nil {
		return nil, err
	}
	return &Webhook{cfg: cfg, client: post.Client()}, nil
}

// body is what is posted.
type body struct {
	Version        int                `json:"version"`
	Message        string             `json:"message"`
	Kind           alerts.MessageKind `json:"kind"`
	Farm           string             `json:"farm"`
	Person         string             `json:"person"`
	Priority       alerts.Priority    `json:"priority"`
	Time           time.Time          `json:"time"`
	Subject        string             `json:"subject"`
	Text           string             `json:"text"`
	AcknowledgeURL string             `json:"acknowledge_url,omitempty"`
	Alarms         []alerts.Event     `json:"alarms"`
}

// Send posts m to the person's address.
func (w *Webhook) Send(ctx context.Context, m alerts.Message) (retry bool, err error) {
	sum := sha256.Sum256([]byte(m.Key))
	id := hex.EncodeToString(sum[:16])
	b := body{Version: 1, Message: id, Kind: m.Kind, Farm: m.Farm, Person: m.Person, Priority: m.Priority, Time: m.Created.UTC(),
		Subject: m.Subject, Text: m.Body, AcknowledgeURL: m.Link, Alarms: m.Alarms}
	if b.Alarms == nil {
		b.Alarms = []alerts.Event{}
	}
	data, err := json.Marshal(b)
	if err != nil {
		return false, fmt.Errorf("webhook: %w", err)
	}
	stamp := strconv.FormatInt(w.cfg.Now().Unix(), 10)
	h := http.Header{}
	h.Set("Content-Type", "application/json")
	h.Set("User-Agent", "nightwire")
	h.Set("X-Nightwire-Message", id)
	h.Set("X-Nightwire-Timestamp", stamp)
	h.Set("X-Nightwire-Signature", "sha256="+hex.EncodeToString(sign(w.cfg.Secret, stamp, data)))
	if retry, err = post.Do(ctx, w.client, m.Route.Address, h, data); err != nil {
		return retry, fmt.Errorf("webhook: %w", err)
	}
	return false, nil
}

// sign returns the signature: the stamp is under it, so that an old message cannot be passed off as new.
func sign(secret, stamp string, data []byte) []byte {
	h := hmac.New(sha256.New, []byte(secret))
	h.Write([]byte(stamp + "."))
	h.Write(data)
	return h.Sum(nil)
}
