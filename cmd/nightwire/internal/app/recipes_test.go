package app

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/pulse"
)

// recipe finds, on the page of sensors, what to put into the farm file, a payload, and what it is promised to read as.
var recipe = regexp.MustCompile("(?s)```yaml\n(sensor:.*?)```.*?```json\n(.*?)```.*?reads as (\\d+\\.\\d+) kV")

// Each recipe for a sensor is taken off the page and does what the page says.
func TestRecipes(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "deploy", "docs", "sensors.md"))
	if err != nil {
		t.Fatal(err)
	}
	found := recipe.FindAllStringSubmatch(string(page), -1)
	if want := strings.Count(string(page), "```yaml\n"); len(found) != want || want < 5 {
		t.Fatalf("%d recipes are whole, of %d begun: each wants a yaml block that begins with sensor:, a json block with the payload, and \"reads as 1.23 kV\"", len(found), want)
	}
	for _, m := range found {
		sensorText, payload, promise := m[1], m[2], m[3]
		name, _, _ := strings.Cut(sensorText, "\n")
		t.Run(name, func(t *testing.T) {
			text := "farm: alder-bank\nenergizers: [{name: cartshed, open_kv: 8.2}]\nzones:\n" +
				"  - name: brook\n    fed_by: cartshed\n    length_m: 180\n    ohms_per_km: 4000\n    stock: pigs\n    " +
				strings.ReplaceAll(strings.TrimSpace(sensorText), "\n", "\n    ") + "\n"
			cfg, err := config.Parse("farm.yaml", []byte(text))
			if err != nil {
				t.Fatal(err)
			}
			s, err := newSensors(&cfg.Farm)
			if err != nil {
				t.Fatal(err)
			}
			rs, ok, err := s.read([]byte(cfg.Farm.Zones[0].Sensor.Topic), []byte(payload), time.Date(2026, 4, 21, 1, 10, 5, 0, time.UTC), false)
			if !ok || err != nil || len(rs) != 1 {
				t.Fatalf("readings %v, known %v, error %v", rs, ok, err)
			}
			if v, _ := rs[0].Get(pulse.Volts); fmt.Sprintf("%.2f", v/1000) != promise {
				t.Errorf("it reads as %.2f kV, and the page says %s", v/1000, promise)
			}
		})
	}
}
