package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os/exec"
	"slices"
	"testing"
)

// compare counts alarms and messages of the zone that died: what happened against what the journal has, and what the
// journal has against what was received.
func (x *trial) compare(c *tally) {
	x.Helper()
	received := map[string]bool{}
	for _, m := range x.hook.messages("") {
		received[m.Message] = true
	}
	whole, told := 0, map[string]int{}
	for _, a := range x.hazels() {
		if a.is("zone/hazel", "returned") {
			whole++
		}
		for _, m := range a.Messages {
			if m.Outcome == "superseded" { // a newer one said more
				continue
			}
			byHook := m.Channel == "webhook"
			if c.messages++; m.Outcome != "taken" || byHook && !received[webhookID(m.Key)] {
				x.Errorf("a message was not received: %+v", m)
				c.messagesLost++
			}
			if byHook {
				told[m.Kind]++
			}
		}
	}
	c.alarmsLost = max(0, x.alarms-whole)
	for _, kind := range []string{"raised", "returned"} {
		c.messagesLost += max(0, x.alarms-told[kind])
	}
}

// hazels returns the alarms of hazel in the journal.
func (x *trial) hazels() []journalled {
	x.Helper()
	return slices.DeleteFunc(exportedAlarms(x.T, x.farmFile, x.data), func(a journalled) bool { return !a.is("zone/hazel", "raised") })
}

// waits reports whether a message of hazel is still to be sent: one that is when the watch is stopped goes when it starts again.
func (x *trial) waits() bool {
	for _, a := range x.hazels() {
		for _, m := range a.Messages {
			if m.Outcome == "pending" {
				return true
			}
		}
	}
	return false
}

// journalled is an alarm in the journal's export.
type journalled struct {
	ID       string
	Events   []struct{ Source, Event string }
	Messages []struct{ Key, Kind, Channel, Outcome string }
}

// is reports whether the alarm is of a source and had an event.
func (a journalled) is(source, event string) bool {
	return slices.ContainsFunc(a.Events, func(e struct{ Source, Event string }) bool { return e.Source == source && e.Event == event })
}

// webhookID returns what a message's key is to a webhook.
func webhookID(key string) string {
	sum := sha256.Sum256([]byte(key))
	return hex.EncodeToString(sum[:16])
}

// exportedAlarms returns all alarms in the journal.
func exportedAlarms(t *testing.T, farmFile, data string) (out []journalled) {
	t.Helper()
	text, err := exec.Command("nightwire", "export", "--config", farmFile, "--data", data, "--alarms").Output()
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(text) {
		var a journalled
		if err := json.Unmarshal(line, &a); err != nil {
			t.Fatal(err)
		}
		out = append(out, a)
	}
	return out
}
