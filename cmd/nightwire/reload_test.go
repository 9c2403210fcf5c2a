package main

import (
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// reloadFarm takes the zones of the third energizer, the people, the broker and the page.
const reloadFarm = `farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 10s}}
  - {name: barn, open_kv: 8, sensor: {topic: test-bank/barn, every: 10s}}
  - {name: hut, open_kv: 8, sensor: {topic: test-bank/hut, every: 10s}}
zones:
  - {name: hazel, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: 10s}}
  - {name: lane, fed_by: barn, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/lane, every: 10s}}
%[1]speople: %[2]s
channels: {webhook: {secret_file: secret}}
broker: {url: "mqtt://127.0.0.1:%[3]d"}
page: {listen: "127.0.0.1:%[4]d"}
`

// reloading is a watch that is told to read its farm file again while alarms stand.
type reloading struct {
	*trial
	mqtt    int
	kv      map[string]float64
	reloads int
}

// write writes the farm file with a zone at the hut, and people.
func (r *reloading) write(zone, people string) {
	r.Helper()
	extra := fmt.Sprintf("  - {name: %[1]s, fed_by: hut, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/%[1]s, every: 10s}}\n", zone)
	text := fmt.Sprintf(reloadFarm, extra, people, r.mqtt, r.page)
	if r.farmFile == "" {
		r.farmFile = writeFarm(r.T, text)
		return
	}
	if err := os.WriteFile(r.farmFile, []byte(text), 0o600); err != nil {
		r.Fatal(err)
	}
}

// reload has the watch read its farm file again, by SIGHUP.
func (r *reloading) reload() {
	r.Helper()
	if err := r.watch.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		r.Fatal(err)
	}
	r.reloads++
	until(r, "it goes on by the farm file read again", func() bool {
		said := r.watch.said()
		return strings.Count(said, "farm file read again") == r.reloads && strings.Count(said, "connected to the broker") == r.reloads+1
	})
	r.watch.ready(r, r.page) // no broker keeps a new zone's reports before
	for range 5 {
		r.send(r.kv)
	}
	r.settled()
}

// told polls while the sensors report, until so many messages of a kind about a zone have come.
func (r *reloading) told(zone, kind string, n int) {
	r.Helper()
	defer repeatedly(100*time.Millisecond, func() { r.send(r.kv) })()
	until(r, fmt.Sprintf("%s is told %s, %d times", zone, kind, n), func() bool { return r.count(zone, kind) >= n })
}

// count returns how many messages of a kind were about a zone.
func (r *reloading) count(zone, kind string) (n int) {
	for _, m := range r.hook.messages(kind) {
		if slices.ContainsFunc(m.Alarms, func(a struct{ Source, Condition string }) bool { return a.Source == "zone/"+zone }) {
			n++
		}
	}
	return n
}

// open returns what status says of the open alarms.
func (r *reloading) open() string {
	r.Helper()
	_, open, found := strings.Cut(output(r.T, "nightwire", "status", "--config", r.farmFile, "--data", r.data), "Open alarms:")
	if !found {
		return ""
	}
	return open
}

// press posts a form of the page, as a browser does.
func (r *reloading) press(form url.Values) {
	r.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		r.Fatal(err)
	}
	browser := &http.Client{Jar: jar}
	base := fmt.Sprintf("http://127.0.0.1:%d", r.page)
	page, err := http.NewRequest(http.MethodGet, base+"/login", nil)
	if err != nil {
		r.Fatal(err)
	}
	form.Set("token", regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(answered(r.T, browser, page))[1])
	post, err := http.NewRequest(http.MethodPost, base+"/act", strings.NewReader(form.Encode()))
	if err != nil {
		r.Fatal(err)
	}
	post.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if got := answered(r.T, browser, post); !strings.HasPrefix(got, "200") {
		r.Fatalf("the form got %s", got)
	}
}

// alarmOf returns the ID of the one alarm that a zone had, and fails when it had others.
func (r *reloading) alarmOf(zone string) (id string) {
	r.Helper()
	for _, a := range exportedAlarms(r.T, r.farmFile, r.data) {
		if !a.is("zone/"+zone, "raised") {
			continue
		}
		if id != "" {
			r.Errorf("%s has two alarms, %s and %s", zone, id, a.ID)
		}
		id = a.ID
	}
	if id == "" {
		r.Errorf("%s has no alarm", zone)
	}
	return id
}

// TestReloadLosesNoAlarm has one zone dead and acknowledged, and another dead and shelved, while people and the zones of a
// third fence change under the running watch: both alarms stay what they are, nobody is told of them again, and both go
// on where they were.
func TestReloadLosesNoAlarm(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes some seconds")
	}
	mqtt := startMosquitto(t)
	r := &reloading{trial: (&trial{T: t, url: fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)}).set(""), mqtt: mqtt,
		kv: map[string]float64{"shed": 7.8, "barn": 7.8, "hut": 7.8, "hazel": 7, "lane": 7, "copse": 7}}
	ann, bob := fmt.Sprintf("{name: Ann, webhook: %q}", r.hook.url), fmt.Sprintf("{name: Bob, webhook: %q}", r.hook.url+"/bob")
	r.write("copse", "["+ann+"]")
	r.watch = startWatch(r, r.farmFile, r.data)
	r.watch.ready(r, r.page)
	for range 10 {
		r.send(r.kv)
	}
	r.settled()
	r.kv["hazel"], r.kv["lane"] = 0, 0
	r.told("hazel", "raised", 1)
	r.told("lane", "raised", 1)
	hazel, lane := r.alarmOf("hazel"), r.alarmOf("lane")
	r.press(url.Values{"action": {"ack"}, "alarm": {hazel}, "by": {"Ann"}})
	r.press(url.Values{"action": {"shelve"}, "alarm": {lane}, "by": {"Ann"}, "for": {"4h"}})
	before := r.open()

	r.write("copse", "["+ann+", "+bob+"]") // somebody more
	r.reload()
	delete(r.kv, "copse")
	r.kv["ridge"] = 7
	r.write("ridge", "["+bob+"]") // another zone there, and Ann is gone
	r.reload()
	r.write("ridge", "["+bob+", "+ann+"]") // she is back, behind Bob
	r.reload()
	if after := r.open(); after != before || !strings.Contains(after, "Ann has it") {
		t.Errorf("open alarms were%sand are%s", before, after)
	}
	if got := [2]string{r.alarmOf("hazel"), r.alarmOf("lane")}; got != [2]string{hazel, lane} {
		t.Errorf("alarms are %v, were %s and %s", got, hazel, lane)
	}
	if n := len(r.hook.messages("")); n != 2 {
		t.Errorf("%d messages in all, want the two of the deaths: %+v", n, r.hook.messages(""))
	}
	r.press(url.Values{"action": {"unshelve"}, "alarm": {lane}, "by": {"Bob"}})
	r.told("lane", "raised", 2) // it begins again, with whoever is first now
	r.kv["hazel"], r.kv["lane"] = 7, 7
	r.told("hazel", "returned", 1)
	r.told("lane", "returned", 1)
	if open := r.open(); open != "" {
		t.Errorf("still open: %s", open)
	}
	r.settled()
	r.watch.stop(r)
	r.alarmOf("hazel")
	r.alarmOf("lane")
}
