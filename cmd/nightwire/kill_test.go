package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// long reports whether the long versions of tests are wanted.
func long() bool { return os.Getenv("NIGHTWIRE_LONG") == "1" }

// sensorFarm writes a farm file of one energizer and so many zones in a row, and returns its path.
func sensorFarm(tb testing.TB, zones int, rest string) string {
	tb.Helper()
	text := "farm: test-bank\nenergizers:\n  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 1s}}\nzones:\n"
	before := "shed"
	for i := range zones {
		name := "zone" + strconv.Itoa(i)
		text += fmt.Sprintf("  - {name: %s, fed_by: %s, length_m: 100, ohms_per_km: 400, stock: pigs, sensor: {topic: test-bank/%s, every: 1s}}\n", name, before, name)
		before = name
	}
	path := filepath.Join(tb.TempDir(), "farm.yaml")
	if err := os.WriteFile(path, []byte(text+rest), 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

// steadySensor publishes numbered readings at QoS 1 and sends again what was not acknowledged, as a sensor with a
// little memory does.
type steadySensor struct {
	url    string
	client paho.Client
	start  time.Time
	topic  string
	bare   bool         // its readings have no time of their own
	resent map[int]bool // what it sent more than once
}

// connect connects, or reports false while the broker is away.
func (s *steadySensor) connect() bool {
	if s.client != nil && s.client.IsConnectionOpen() {
		return true
	}
	o := paho.NewClientOptions().AddBroker(s.url).SetClientID("steady-sensor").SetAutoReconnect(false).SetConnectTimeout(time.Second)
	s.client = paho.NewClient(o)
	tok := s.client.Connect()
	return tok.WaitTimeout(2*time.Second) && tok.Error() == nil
}

// send publishes the readings numbered from until to, and returns those that were not acknowledged.
func (s *steadySensor) send(numbers []int) (again []int) {
	var toks []paho.Token
	for _, n := range numbers {
		// Every reading has a millisecond of its own, so that the store can tell it from all others.
		msg := fmt.Sprintf(`{"kv":7.1,"seq":%d,"t":%d}`, n, s.start.Add(time.Duration(n)*time.Millisecond).UnixMilli())
		if s.bare {
			msg = fmt.Sprintf(`{"kv":7.1,"seq":%d}`, n)
		}
		toks = append(toks, s.client.Publish(s.topic, 1, false, msg))
	}
	for i, tok := range toks {
		if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			again = append(again, numbers[i])
			s.resent[numbers[i]] = true
		}
	}
	return again
}

// flood publishes so many readings, calling between after each lot, and returns those that were sent more than once.
func flood(t *testing.T, url string, messages int, bare bool, between func(done int)) (resent map[int]bool) {
	t.Helper()
	s := &steadySensor{url: url, topic: "test-bank/zone0", start: time.Now().Add(-24 * time.Hour), bare: bare, resent: map[int]bool{}}
	const lot = 200
	for done := 0; done < messages; {
		var numbers []int
		for n := done; n < min(done+lot, messages); n++ {
			numbers = append(numbers, n)
		}
		for left := numbers; len(left) > 0; {
			until(t, "the sensor reaches the broker", s.connect)
			left = s.send(left)
		}
		done += len(numbers)
		between(done)
	}
	s.client.Disconnect(100)
	return s.resent
}

// killing is what a test of kills does.
type killing struct {
	kills, messages int
	bare            bool // readings have no time of their own
}

// killAndCount floods a watch, kills it again and again, and checks that the store has every reading once. Of readings
// without a time of their own, those that the sensor itself sent twice may be there twice, and one for each kill.
func killAndCount(t *testing.T, url, farmFile string, page int, k killing) {
	t.Helper()
	data := filepath.Join(t.TempDir(), "data")
	watch := startWatch(t, farmFile, data)
	watch.ready(t, page) // a broker keeps nothing for a session that it has never seen
	killed := 0
	resent := flood(t, url, k.messages, k.bare, func(done int) {
		if done >= (killed+1)*k.messages/(k.kills+1) && killed < k.kills {
			killed++
			watch.kill()
			watch = startWatch(t, farmFile, data)
		}
	})
	var counts map[int]int
	until(t, "all readings are stored", func() bool {
		counts = stored(t, farmFile, data)
		return len(counts) >= k.messages
	})
	watch.stop(t)
	counts = stored(t, farmFile, data)
	twice, bySensor := 0, 0
	for number, n := range counts {
		switch {
		case n > 1 && k.bare && resent[number]:
			bySensor++
		case n > 1:
			twice++
		}
	}
	t.Logf("%d kills, %d readings accepted, %d stored, %d of them twice, and %d twice since the sensor sent them twice",
		killed, k.messages, len(counts), twice, bySensor)
	most := 0
	if k.bare {
		most = k.kills // the built-in broker may forget with the kill that it sent a message before
	}
	if killed != k.kills || len(counts) != k.messages || twice > most {
		t.Errorf("after %d kills %d of %d readings are stored, %d of them twice", killed, len(counts), k.messages, twice)
	}
}

// stored counts the stored readings by their number.
func stored(t *testing.T, farmFile, data string) map[int]int {
	t.Helper()
	counts := map[int]int{}
	for _, n := range keptNumbers(t, farmFile, data, "--zone", "zone0") {
		counts[n]++
	}
	return counts
}

// forms of readings, as kill tests have them.
func forms() map[string]bool { return map[string]bool{"stamped": false, "without a time": true} }

// TestKilledBesideAnOutsideBroker kills the watch while mosquitto goes on taking readings.
func TestKilledBesideAnOutsideBroker(t *testing.T) {
	k := killing{kills: 3, messages: 6000}
	if long() {
		k = killing{kills: 20, messages: 200_000}
	} else if testing.Short() {
		t.Skip("skipped: takes a while")
	}
	for name, bare := range forms() {
		t.Run(name, func(t *testing.T) {
			if k.bare = bare; bare {
				k.messages = min(k.messages, 100_000) // each takes a millisecond of the sensor's time
			}
			url := fmt.Sprintf("mqtt://127.0.0.1:%d", startMosquitto(t))
			page := port(t)
			farmFile := sensorFarm(t, 1, fmt.Sprintf("broker: {url: %q}\npage: {listen: \"127.0.0.1:%d\"}\n", url, page))
			killAndCount(t, url, farmFile, page, k)
		})
	}
}

// TestKilledWithItsOwnBroker kills the watch and with it the broker that it has built in.
func TestKilledWithItsOwnBroker(t *testing.T) {
	k := killing{kills: 2, messages: 1000}
	if long() {
		k = killing{kills: 20, messages: 20_000}
	} else if testing.Short() {
		t.Skip("skipped: takes a while")
	}
	for name, bare := range forms() {
		t.Run(name, func(t *testing.T) {
			k.bare = bare
			p, page := port(t), port(t)
			farmFile := sensorFarm(t, 1, fmt.Sprintf("broker: {listen: \"127.0.0.1:%d\"}\npage: {listen: \"127.0.0.1:%d\"}\n", p, page))
			killAndCount(t, fmt.Sprintf("mqtt://127.0.0.1:%d", p), farmFile, page, k)
		})
	}
}
