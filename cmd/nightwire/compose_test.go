package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/sim/outside"
)

// composeFile returns one of the files of the services that run side by side.
func composeFile(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "compose", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Every file that a service is given is there, or is a secret that the first lines say how to make; the farm file has no
// mistakes.
func TestComposeFilesAreThere(t *testing.T) {
	text := composeFile(t, "compose.yaml")
	mounts := regexp.MustCompile(`- (\.\.?/[^:]+):`).FindAllStringSubmatch(text, -1)
	if len(mounts) < 8 {
		t.Fatalf("%d mounts: is it read rightly?", len(mounts))
	}
	howTo, _, _ := strings.Cut(text, "\nservices:")
	made := func(secret string) bool { return strings.Contains(howTo, secret) }
	for _, m := range mounts {
		if name, secret := strings.CutPrefix(m[1], "./secrets/"); secret {
			if !made(name) {
				t.Errorf("nobody makes the secret %s", name)
			}
			continue
		}
		if _, err := os.Stat(filepath.Join("..", "..", "deploy", "compose", filepath.FromSlash(m[1]))); err != nil {
			t.Errorf("a service is given %s: %v", m[1], err)
		}
	}
	for _, file := range []string{"farm.yaml", "compose.yaml", "grafana/datasources.yaml"} {
		for _, m := range regexp.MustCompile(`secrets/([a-z-]+)`).FindAllStringSubmatch(composeFile(t, file), -1) {
			if !made(m[1]) {
				t.Errorf("%s needs the secret %s, which nobody makes", file, m[1])
			}
		}
	}
	said := output(t, "nightwire", "check", filepath.Join("..", "..", "deploy", "compose", "farm.yaml"))
	if !strings.Contains(said, "no mistakes") {
		t.Errorf("check says:\n%s", said)
	}
}

// A real mosquitto takes the settings: it refuses who has no password, lets a sensor write its own topic and no other,
// and lets Nightwire read them all.
func TestComposeBrokerIsSafe(t *testing.T) {
	mosquitto, passwd := outside.Program(t, "mosquitto"), outside.Program(t, "mosquitto_passwd")
	dir, at := t.TempDir(), port(t)
	if err := os.Chmod(dir, 0o755); err != nil { // the broker gives up root
		t.Fatal(err)
	}
	secrets := filepath.Join(dir, "passwd")
	if err := os.WriteFile(secrets, []byte("nightwire:n\nbrook:b\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	output(t, passwd, "-U", secrets)
	conf := strings.NewReplacer("/mosquitto/config/", dir+"/", "/mosquitto/data/", dir+"/", "listener 1883", fmt.Sprintf("user root\nlistener %d 127.0.0.1", at)).
		Replace(composeFile(t, "mosquitto.conf"))
	for name, text := range map[string]string{"mosquitto.conf": conf, "mosquitto.acl": composeFile(t, "mosquitto.acl")} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	startProcess(t, mosquitto, "-c", filepath.Join(dir, "mosquitto.conf"))
	until(t, "the broker listens", func() bool { return dials(at) })
	options := func(user, password string) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", at)).SetUsername(user).SetPassword(password).SetClientID("test-" + user)
	}
	for _, who := range [][2]string{{"", ""}, {"brook", "wrong"}} {
		tok := paho.NewClient(options(who[0], who[1])).Connect()
		if tok.WaitTimeout(scriptWait) && tok.Error() == nil {
			t.Errorf("%q was let in with password %q", who[0], who[1])
		}
	}
	heard := make(chan string, 10)
	reader := dialPaho(t, options("nightwire", "n"))
	if tok := reader.Subscribe("alder-bank/#", 1, func(_ paho.Client, m paho.Message) { heard <- m.Topic() }); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	sensor := dialPaho(t, options("brook", "b"))
	for _, topic := range []string{"alder-bank/hazel/kv", "alder-bank/state", "alder-bank/brook/kv"} {
		if tok := sensor.Publish(topic, 1, false, "6.4"); !tok.WaitTimeout(scriptWait) {
			t.Fatalf("no answer to %s", topic)
		}
	}
	select {
	case topic := <-heard: // they come in order, so what was refused would have come first
		if topic != "alder-bank/brook/kv" {
			t.Errorf("a sensor could write %s", topic)
		}
	case <-time.After(scriptWait):
		t.Error("a sensor's own topic did not come through")
	}
}
