package app

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/alerts/notify"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/ingest/farm"
)

// commanded is a watch that keeps all in memory, with two alarms that stand.
func commanded(t *testing.T) *night {
	t.Helper()
	n := newNight(Options{Now: func() time.Time { return start }, Speed: 1, Log: slog.New(slog.DiscardHandler), Said: func(alerts.Event) {}}, parse(t, smallFarm))
	var err error
	if n.journal, err = journal.Open(t.Context(), journal.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { n.journal.Close() })
	if err := n.openEngine(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n.sender, err = notify.NewSender(notify.SenderOptions{Outbox: n.journal, Channels: map[string]notify.Channel{"mail": &silentChannel{}}}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a-dead", "b-low"} {
		e := alerts.Event{ID: id, Kind: alerts.Raised, Time: start, Finding: alerts.Finding{
			Source: farm.ZoneSource(n.cfg.Farm.Zones[0].Name), Condition: alerts.Condition(id[2:]), Cause: alerts.Unknown, Priority: alerts.High, Text: "Text."}}
		n.record(n.engine.desk.Events(start, e))
	}
	return n
}

// kept is all that a watch knows of alarms and acts, as text.
func (n *night) kept(t *testing.T) string {
	t.Helper()
	var acts bytes.Buffer
	if err := n.journal.ExportActions(t.Context(), &acts); err != nil {
		t.Fatal(err)
	}
	book := n.engine.desk.Book()
	text, err := json.Marshal([]any{book.Points(), book.Holds(), acts.String()})
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// FuzzCommands sends anything to the socket for commands. A request that is refused has done what came before the
// refused act and no more, what is put aside ends by itself, and a watch that starts anew knows it all.
func FuzzCommands(f *testing.F) {
	for _, body := range []string{
		`[{"action":"ack","alarm":"a-dead","by":"Ann"}]`, `[{"action":"shelve","alarm":"b-low","until":"2026-05-01T09:00:00Z"},{"action":"ack","alarm":"b-low"}]`,
		`[{"action":"out_of_service","source":"zone/brook","until":"2026-05-01T08:00:00Z","move":true},{"action":"in_service","source":"zone/brook"}]`,
		`[{"action":"done","task":"walk"},{"action":"done","task":"earth-test","source":"energizer/shed","earth":{"stake_v":200,"fence_v":900}}]`,
		`[{"action":"weather","weather":{"sky":"rain","from":"2026-04-30T00:00:00Z","to":"2026-05-01T00:00:00Z","rain_mm":3}}]`,
		`[{"action":"note","source":"zone/nowhere","note":"x"}]`, `[{"action":"trimmed","source":"zone/brook","on":"9999-12-31T23:59:59-23:59"}]`,
		`[{"action":"laid_out","layout":{}}]`, `[{"action":"test"}]`, `[]`, `null`, `{}`, `[{"action":`,
	} {
		f.Add(byte(0), []byte(body))
	}
	f.Add(byte(1), []byte(nil))
	f.Add(byte(2), []byte(nil))
	f.Fuzz(func(t *testing.T, path byte, body []byte) {
		n := commanded(t)
		before := n.kept(t)
		to := []string{"/act", "/laid", "/read-again", "/", "/act/x"}[int(path)%5]
		rec := httptest.NewRecorder()
		control.Handler(n).ServeHTTP(rec, httptest.NewRequest(http.MethodPost, to, bytes.NewReader(body)))
		after := n.kept(t)
		want := before
		switch rec.Code {
		case http.StatusNoContent, http.StatusConflict:
			want = oneByOne(t, rec.Code == http.StatusConflict, to, body)
		case http.StatusBadRequest, http.StatusNotFound, http.StatusMethodNotAllowed:
		default:
			t.Errorf("%s answers %d", to, rec.Code)
		}
		if after != want {
			t.Errorf("after %d the watch knows\n%s\nwant\n%s", rec.Code, after, want)
		}
		n.endsByItself(t)
		n.outlivesRestart(t)
	})
}

// oneByOne does the acts of a body one after the other, up to one that is refused, on a watch of its own, and returns
// what that knows then. A refused act must change nothing.
func oneByOne(t *testing.T, refused bool, to string, body []byte) string {
	t.Helper()
	n := commanded(t)
	if to != "/act" {
		return n.kept(t)
	}
	var acts []alerts.Action
	if err := json.NewDecoder(bytes.NewReader(body)).Decode(&acts); err != nil {
		t.Fatalf("a body that is no list of acts was taken: %v", err)
	}
	var err error
	for i, a := range acts {
		before := n.kept(t)
		if err = n.Act(t.Context(), a); err == nil {
			continue
		}
		if after := n.kept(t); after != before {
			t.Errorf("act %d was refused with %v, and changed\n%s\nto\n%s", i, err, before, after)
		}
		break
	}
	if (err != nil) != refused {
		t.Errorf("one by one the last act gave %v, refused is %t", err, refused)
	}
	return n.kept(t)
}

// endsByItself checks that nothing is put aside for ever.
func (n *night) endsByItself(t *testing.T) {
	t.Helper()
	for _, p := range n.engine.desk.Book().Points() {
		if p.State == alerts.StateShelved && (!p.ShelvedUntil.After(start) || p.ShelvedUntil.Sub(start) > 24*time.Hour) {
			t.Errorf("%s is shelved until %s", p.Key(), p.ShelvedUntil)
		}
	}
	for _, h := range n.engine.desk.Book().Holds() {
		if !h.Until.After(start) || h.Until.Sub(start) > 7*24*time.Hour {
			t.Errorf("%s is out of service until %s", h.Source, h.Until)
		}
	}
}

// outlivesRestart has another watch take up what the journal has.
func (n *night) outlivesRestart(t *testing.T) {
	t.Helper()
	before := n.kept(t)
	past, err := n.journal.Load(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	next := newNight(n.opts, n.cfg)
	next.journal = n.journal
	if err := next.openEngine(t.Context()); err != nil {
		t.Fatal(fmt.Errorf("with %d pieces saved: %w", len(past.Saved), err))
	}
	if after := next.kept(t); after != before {
		t.Errorf("a watch that starts anew knows\n%s\nthe one before knew\n%s", after, before)
	}
}
