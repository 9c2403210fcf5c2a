package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// What BenchmarkAlarmDelay watches: farms of one energizer and ten zones, and how many rounds of reports go before the
// first death.
const (
	delayRows  = 100
	delayQuiet = 8
	delayEvery = time.Second // how often a sensor reports
	diePerTurn = 4           // zones that go dead in one round
)

// BenchmarkAlarmDelay has one daemon take 1,000 readings a second at QoS 1 from 1,000 sensors by mosquitto, while one zone of
// each of 100 farms dies, four in a second. Farms, since a person who has just had a message gets the next alarms half a
// minute later in one more: only the first of a farm shows how fast a message can be. It measures from the publishing of the
// second dead report, which confirms the first, to the webhook's receiver, with a well channel and with the push server
// hanging. Within lie the broker's hop, the wait for a batch, the store's sync, the diagnosis, the journal and the post. The
// bar is a p99 under 50 ms. Two minutes; it runs once whatever -benchtime says.
func BenchmarkAlarmDelay(b *testing.B) {
	for _, hanging := range []bool{false, true} {
		name := "well"
		if hanging {
			name = "push hangs"
		}
		b.Run(name, func(b *testing.B) {
			delays := alarmDelays(b, hanging)
			if len(delays) != delayRows {
				b.Errorf("%d alarms for %d dead zones", len(delays), delayRows)
			}
			if len(delays) == 0 {
				return
			}
			slices.Sort(delays)
			at := func(q int) float64 { return float64(delays[(len(delays)-1)*q/100].Microseconds()) / 1000 }
			b.ReportMetric(at(50), "ms-p50")
			b.ReportMetric(at(99), "ms-p99")
			b.ReportMetric(at(100), "ms-max")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// alarmDelays runs the watch once and returns the delay of each alarm.
func alarmDelays(b *testing.B, hanging bool) (delays []time.Duration) {
	b.Helper()
	mqtt, page, hook, deaf := startMosquitto(b), port(b), startHook(b), startHook(b)
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	person, channels := fmt.Sprintf("{name: Ann, webhook: %q", hook.url), "{webhook: {secret_file: secret}"
	if hanging {
		deaf.hang = make(chan struct{})
		defer close(deaf.hang)
		person += ", push: alder-bank"
		channels += fmt.Sprintf(", push: {server: %q}", deaf.url)
	}
	dir := delayFarms(b, fmt.Sprintf("people: [%s}]\nchannels: %s}\nbroker: {url: %q}\n", person, channels, url))
	watch := startProcess(b, "nightwire", "run", "--farms", dir, "--data", b.TempDir(), "--page", fmt.Sprintf("127.0.0.1:%d", page))
	for i := range delayRows {
		until(b, "a farm is connected", func() bool { return farmMetric(page, fmt.Sprintf("bank%d", i), "nightwire_mqtt_connected") == 1 })
	}
	heard := map[string]time.Time{}
	sensors := dialPaho(b, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))
	defer sensors.Disconnect(100)
	confirmed := dyingRows(sensors)
	until(b, "the last alarm is told", func() bool {
		heard = hook.firstHeard()
		return len(heard) >= delayRows
	})
	for zone, at := range heard {
		if second, ok := confirmed[zone]; ok {
			delays = append(delays, at.Sub(second))
		}
	}
	watch.stop(b)
	return delays
}

// delayFarms writes delayRows farms of one energizer and zonesPerRow zones, and returns their folder.
func delayFarms(b *testing.B, rest string) string {
	b.Helper()
	dir := b.TempDir()
	files := map[string]string{"secret": strings.Repeat("s", 32)}
	for r := range delayRows {
		text := fmt.Sprintf("farm: bank%d\nenergizers:\n  - {name: e%[1]d, open_kv: 8}\nzones:\n", r)
		before := fmt.Sprintf("e%d", r)
		for z := range zonesPerRow {
			zone := fmt.Sprintf("r%dz%d", r, z)
			text += fmt.Sprintf("  - {name: %s, fed_by: %s, length_m: 100, ohms_per_km: 400, stock: pigs, sensor: {topic: alder-bank/%[1]s, every: %[3]s}}\n", zone, before, delayEvery)
			before = zone
		}
		files[fmt.Sprintf("bank%d.yaml", r)] = text + rest
	}
	for file, text := range files {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	return dir
}

// dyingRows publishes for all sensors until the last zone of each row has been dead for three rounds, and returns when each
// dead zone's second report went out, by source.
func dyingRows(c paho.Client) map[string]time.Time {
	confirmed := map[string]time.Time{}
	sensors := delayRows * zonesPerRow
	tick := time.NewTicker(delayEvery / time.Duration(sensors))
	defer tick.Stop()
	for round := range delayQuiet + delayRows/diePerTurn + 3 {
		for s := range sensors {
			row, z := s/zonesPerRow, s%zonesPerRow
			kv := 7.8 - 0.1*float64(z) + 0.01*float64((round*3+s)%5)
			if dead := round - delayQuiet - row%(delayRows/diePerTurn); z == zonesPerRow-1 && dead >= 0 {
				kv = 0
				if dead == 1 {
					confirmed[fmt.Sprintf("zone/r%dz%d", row, z)] = time.Now()
				}
			}
			c.Publish(fmt.Sprintf("alder-bank/r%dz%d", row, z), 1, false, fmt.Sprintf(`{"kv":%.2f,"pulses":46,"battery_v":3.6}`, kv))
			<-tick.C
		}
	}
	return confirmed
}
