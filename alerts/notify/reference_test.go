package notify

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// TestAlarmReference holds the page of alarms to what messages say: each cause with its acts, in their words.
func TestAlarmReference(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "docs", "alarms.md"))
	if err != nil {
		t.Fatal(err)
	}
	page := strings.Join(strings.Fields(string(text)), " ")
	f := farm.Farm{Energizers: []farm.Energizer{{Name: "cartshed"}, {Name: "house", Supply: farm.Mains}}, Zones: []farm.Zone{{Name: "brook"}}}
	w := words{cfg: Config{Farm: &f}}
	for _, cause := range []alerts.Cause{alerts.Short, alerts.Open, alerts.Joint, alerts.Vegetation, alerts.EnergizerOff, alerts.EnergizerWeak,
		alerts.SupplyLow, alerts.PoorEarth, alerts.CauseIntermittent, alerts.SensorSilent, alerts.CauseSensorFaulty, alerts.LinkLost, alerts.Unknown} {
		_, part, found := strings.Cut(page, "### `"+string(cause)+"` ")
		if !found {
			t.Errorf("the page of alarms has no part on %s", cause)
		}
		part, _, _ = strings.Cut(part, "### ")
		for _, source := range []farm.Source{"zone/brook", "energizer/cartshed", "energizer/house"} {
			if cause == alerts.Unknown && source != "zone/brook" {
				continue
			}
			for _, act := range w.advice(alerts.Finding{Source: source, Condition: alerts.Dead, Cause: cause}).long {
				if strings.HasPrefix(act, "Look where the stock") {
					continue // it is said once, for all
				}
				if !strings.Contains(part, act) {
					t.Errorf("under %s the page of alarms does not say: %s", cause, act)
				}
			}
		}
	}
	for _, c := range []alerts.Condition{alerts.Dead, alerts.Low, alerts.Dropping, alerts.Growth, alerts.Intermittent, alerts.Silent,
		alerts.Off, alerts.Weak, alerts.Earth, alerts.FaultySensor, alerts.BadJoint,
		alerts.Test, alerts.Channel, alerts.Queue, alerts.Storage, alerts.Clock} {
		if !strings.Contains(page, "| `"+string(c)+"` |") {
			t.Errorf("the page of alarms has no %s", c)
		}
	}
}
