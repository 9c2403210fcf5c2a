package journal

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// TestExportAlarms writes two alarms, one message of which has been taken, and reads them back.
func TestExportAlarms(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	record(t, j, step("late", alerts.Raised, 9))
	record(t, j, step("early", alerts.Raised, 1))
	record(t, j, step("early", alerts.Returned, 5))
	record(t, j, alerts.Step{Messages: []alerts.Message{message("round")}}) // about no alarm
	if err := j.Settle(t.Context(), alerts.Delivery{Key: "earlyraised", Outcome: alerts.Taken, At: at(2)}); err != nil {
		t.Fatal(err)
	}
	var buf bytes.Buffer
	if err := j.ExportAlarms(t.Context(), &buf); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(buf.String(), "orla@example.org") {
		t.Error("an address is written")
	}
	var got []exported
	for line := range bytes.Lines(buf.Bytes()) {
		var e exported
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		got = append(got, e)
	}
	is := func(key string, outcome alerts.Outcome, changed int) told {
		return told{Key: key, Kind: alerts.TellRaised, Person: "Orla", Channel: "mail", Created: at(0), Outcome: outcome, Changed: at(changed)}
	}
	want := []exported{
		{ID: "early", Events: []alerts.Event{event("early", alerts.Raised, 1), event("early", alerts.Returned, 5)},
			Messages: []told{is("earlyraised", alerts.Taken, 2), is("earlyreturned", alerts.Pending, 0)}},
		{ID: "late", Events: []alerts.Event{event("late", alerts.Raised, 9)}, Messages: []told{is("lateraised", alerts.Pending, 0)}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestExportNoAlarms writes nothing when nothing was ever wrong.
func TestExportNoAlarms(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	var buf bytes.Buffer
	if err := j.ExportAlarms(t.Context(), &buf); err != nil || buf.Len() > 0 {
		t.Errorf("got %q, %v", buf.String(), err)
	}
}
