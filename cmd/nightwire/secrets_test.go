package main

import (
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// hushed are the secrets of a farm, each a text that stands nowhere else, by its name. Those in lines of the farm file
// are what people write there although it is a key, as in the address of a webhook.
func hushed() map[string]string {
	out := map[string]string{}
	for _, name := range []string{"broker-word", "page-word", "page-token", "mail-word", "push-token", "hook-secret", "mirror-token",
		"beat-path", "hook-path", "hook-query", "push-topic"} {
		out[name] = "hush-" + name + "-4711"
	}
	return out
}

// hushFarm takes the broker, the page, and a server that takes nothing.
const hushFarm = `farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 10s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: 10s}}
  - {name: hazel, fed_by: brook, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: 10s}}
people:
  - {name: Ann, webhook: "%[3]s/hush-hook-path-4711?key=hush-hook-query-4711", push: hush-push-topic-4711, mail: ann@example.org}
channels:
  mail: {host: 127.0.0.1, port: 9, security: none, user: ann, password_file: mail-word, from: fence@example.org}
  push: {server: "%[3]s", token_file: push-token}
  webhook: {secret_file: hook-secret}
%[1]s
page: {listen: "127.0.0.1:%[2]d", password_file: page-word, metrics_token_file: page-token, url: "http://127.0.0.1:%[2]d"}
mirror: {influx: {url: "%[3]s", bucket: b, token_file: mirror-token}}
heartbeat: {url_file: beat-path, every: 30s}
`

// TestNoSecretIsShown runs a watch that has every secret there can be, on a night when a zone dies and everything that
// it sends is refused by servers that repeat in their answer what they were asked. Then it looks through all that the
// watch shows.
func TestNoSecretIsShown(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes some seconds")
	}
	server, refused := startRefusing(t)
	mqtt, page, secrets := startMosquitto(t), port(t), hushed()
	broker := fmt.Sprintf("broker: {url: \"mqtt://127.0.0.1:%d\", user: watch, password_file: broker-word}", mqtt)
	farmFile := writeFarm(t, fmt.Sprintf(hushFarm, broker, page, server))
	for name, text := range secrets {
		if name == "beat-path" {
			text = server + "/" + text
		}
		if err := os.WriteFile(filepath.Join(filepath.Dir(farmFile), name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	data := filepath.Join(t.TempDir(), "data")
	watch := startProcess(t, "nightwire", "run", "--debug", "--config", farmFile, "--data", data)
	watch.ready(t, page)
	x := &trial{T: t, url: fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt), hazel: 7, resent: map[int]bool{}}
	for range 10 {
		x.round()
	}
	x.show(0)
	link := ""
	x.await("all was refused", func() bool {
		for len(refused) > 0 {
			if l := regexp.MustCompile(`/a/([\w-]+\.[\w-]+)`).FindStringSubmatch(<-refused); l != nil {
				link = l[1]
			}
		}
		said := watch.said()
		return link != "" && strings.Count(said, "message not taken") >= 3 && strings.Contains(said, "heartbeat does not arrive")
	})
	secrets["a link's token"] = link
	key, err := os.ReadFile(filepath.Join(data, "link.key"))
	if err != nil {
		t.Fatal(err)
	}
	secrets["the links' key"] = string(key)
	secrets["the links' key, in hex"] = hex.EncodeToString(key)
	secrets["the links' key, in base64"] = strings.TrimRight(base64.StdEncoding.EncodeToString(key), "=")
	shown := everyPage(t, page, secrets["page-word"], secrets["page-token"])
	for _, args := range [][]string{{"status"}, {"turnout"}, {"upkeep"}, {"export", "--alarms"}, {"export", "--actions"}, {"check"}, {"send-test"}} {
		shown["nightwire "+strings.Join(args, " ")] = said(farmFile, data, args)
	}
	watch.stop(t)
	shown["the log"] = watch.said()
	lookThrough(t, shown, secrets)
	for where, want := range map[string]string{"the log": "message not taken", "/metrics": "nightwire_", "/": "hazel", "nightwire status": "hazel", "nightwire check": "brook", "nightwire export --alarms": "webhook",
		"nightwire send-test": "Ann by webhook to 127.0.0.1"} {
		if !strings.Contains(shown[where], want) {
			t.Errorf("%s lacks %q, so it was not truly looked through", where, want)
		}
	}
}

// startRefusing starts a server that takes nothing and says what it was asked, and returns its address and what it got.
func startRefusing(t *testing.T) (address string, got <-chan string) {
	t.Helper()
	refused := make(chan string, 10_000)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		refused <- string(body)
		http.Error(w, "no "+r.URL.String()+" for "+r.Header.Get("Authorization"), http.StatusInternalServerError)
	}))
	t.Cleanup(server.Close)
	return server.URL, refused
}

// lookThrough looks for every secret in everything that was shown.
func lookThrough(t *testing.T, shown, secrets map[string]string) {
	t.Helper()
	for where, text := range shown {
		for name, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s shows %s: %s", where, name, around(text, secret))
			}
		}
	}
}

// said returns all that a command says, whatever it ends with: a fence that is down is no reason to ask less.
func said(farmFile, data string, args []string) string {
	args = append(args, "--config", farmFile, "--data", data)
	if args[0] == "check" {
		args = []string{"check", farmFile}
	}
	out, _ := exec.Command("nightwire", args...).CombinedOutput()
	return string(out)
}

// around returns what stands beside a secret.
func around(text, secret string) string {
	i := strings.Index(text, secret)
	return text[max(0, i-80):min(len(text), i+len(secret)+40)]
}

// everyPage logs in and follows all links of the page, and returns what was shown by the path.
func everyPage(t *testing.T, page int, password, token string) map[string]string {
	t.Helper()
	base := fmt.Sprintf("http://127.0.0.1:%d", page)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar}
	shown := map[string]string{}
	fetch := func(path string) string {
		req, err := http.NewRequest(http.MethodGet, base+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if path == "/metrics" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		return answered(t, browser, req)
	}
	hidden := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(fetch("/login"))
	if hidden == nil {
		t.Fatal("the login page has no form")
	}
	form := url.Values{"token": hidden[1:2], "name": {"Ann"}, "password": {password}, "next": {"/"}}
	req, err := http.NewRequest(http.MethodPost, base+"/login", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answered(t, browser, req)
	links := regexp.MustCompile(`(?:href|src)="(/[^"#]*)`)
	for todo := []string{"/", "/metrics", "/-/healthy", "/-/ready", "/alarms", "/upkeep", "/turnout", "/night", "/week", "/no-such-page"}; len(todo) > 0 && len(shown) < 300; todo = todo[1:] {
		path := strings.ReplaceAll(todo[0], "&amp;", "&")
		if _, ok := shown[path]; ok {
			continue
		}
		shown[path] = fetch(path)
		for _, l := range links.FindAllStringSubmatch(shown[path], -1) {
			todo = append(todo, l[1])
		}
	}
	if len(shown) < 20 {
		t.Errorf("only %d pages were found", len(shown))
	}
	return shown
}

// answered returns the head and body of an answer.
func answered(t *testing.T, browser *http.Client, req *http.Request) string {
	t.Helper()
	resp, err := browser.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(resp.Status, resp.Header, string(body))
}
