package app

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/daylog"
)

// secretKeys are the keys of every secret that a farm file can name.
func secretKeys() []string {
	return []string{"page-word", "page-token", "mail-word", "push-token", "hook-secret", "mirror-token", "beat"}
}

// farmWithEverySecret writes a farm file whose every secret, person and address can be told from all else.
func farmWithEverySecret(t *testing.T) (*config.Config, []byte) {
	t.Helper()
	dir := t.TempDir()
	for _, key := range secretKeys() {
		text := "hush-" + key + "-4711"
		if key == "beat" {
			text = "http://127.0.0.1:9/" + text
		}
		if err := os.WriteFile(filepath.Join(dir, key), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text := []byte(smallFarm + `
# hush-comment-4711
people:
  - {name: Hildegard, push: hush-topic-4711, quiet: 22:00-06:00}
  - {name: Hilde, mail: hush-mail-4711@example.org, webhook: "http://127.0.0.1:9/hush-hook-4711"}
channels:
  mail: {host: 127.0.0.1, port: 9, security: none, user: hush-user-4711, password_file: mail-word, from: hush-from-4711@example.org}
  push: {server: "http://127.0.0.1:9", token_file: push-token}
  webhook: {secret_file: hook-secret}
broker: {listen: "127.0.0.1:0"}
page: {listen: "127.0.0.1:0", password_file: page-word, metrics_token_file: page-token}
mirror: {influx: {url: "http://127.0.0.1:9/?hush-query-4711", bucket: b, token_file: mirror-token}}
heartbeat: {url_file: beat}
`)
	path := filepath.Join(dir, "farm.yaml")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := cfg.ReadSecrets(); err != nil {
		t.Fatal(err)
	}
	if got := len(cfg.Revealed()); got != len(secretKeys()) {
		t.Fatalf("%d secrets were read, want %d", got, len(secretKeys()))
	}
	return cfg, text
}

// unpack returns the files of a support archive.
func unpack(t *testing.T, archive []byte) map[string]string {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(h.Name)] = string(text)
	}
}

// TestSupportHoldsNoSecrets packs what a watch left behind that ran with every secret there can be, beside it and after
// it, with a log that speaks of people, addresses, links and voltages. None of them is in the archive.
func TestSupportHoldsNoSecrets(t *testing.T) {
	cfg, text := farmWithEverySecret(t)
	data := t.TempDir()
	day := daylog.Open(data, time.Now)
	for _, line := range []string{"person=Hildegard", "person=Hilde", "url=http://farm/a/eyJhIjoi.hush-4711", "leak=hush-mail-word-4711", "to=hush-mail-4711@example.org",
		"post=http://127.0.0.1:9/hush-hook-4711", "text=\"brook is low, 1.9173 kV\""} {
		fmt.Fprintf(day, "time=%s level=INFO msg=said %s\n", time.Now().UTC().Format(time.RFC3339), line)
	}
	fmt.Fprintf(day, "time=%s level=INFO msg=\"of the day before\"\n", time.Now().Add(-25*time.Hour).UTC().Format(time.RFC3339))
	if err := day.Close(); err != nil {
		t.Fatal(err)
	}
	pack := func() map[string]string {
		var b bytes.Buffer
		if err := Support(t.Context(), &b, SupportOptions{Config: cfg, Text: text, DataDir: data, Version: "v1", Now: time.Now()}); err != nil {
			t.Fatal(err)
		}
		return unpack(t, b.Bytes())
	}
	live, stop := startLive(t, cfg, data, &handClock{at: start})
	wait(t, live.addresses)
	beside := pack()
	stop()
	after := pack()
	for when, files := range map[string]map[string]string{"beside a watch": beside, "after it": after} {
		for name, text := range files {
			for _, banned := range []string{"4711", "Hilde", "1.9173", "127.0.0.1:9/hush", "of the day before"} {
				if strings.Contains(text, banned) {
					t.Errorf("%s: %s holds %q", when, name, banned)
				}
			}
		}
		for name, want := range map[string]string{"about.txt": "nightwire v1", "farm.yaml": "quiet", "database.txt": "quick_check(5): ok", "log.txt": "person-1"} {
			if !strings.Contains(files[name], want) {
				t.Errorf("%s: %s lacks %q:\n%s", when, name, want, files[name])
			}
		}
	}
	if !strings.Contains(after["counters.txt"], "nightwire_readings_stored_total") || strings.Contains(after["counters.txt"], "fence_volts") {
		t.Errorf("counters are\n%s", after["counters.txt"])
	}
	if !strings.Contains(beside["about.txt"], "the night watch runs") || !strings.Contains(after["about.txt"], "is not running") {
		t.Error("about.txt does not say whether the watch runs")
	}
	if !strings.Contains(after["database.txt"], "version in journal_schema: ") {
		t.Errorf("facts lack the journal's schema:\n%s", after["database.txt"])
	}
}

// TestRedactedFarmFileStaysOne reads the redacted text again.
func TestRedactedFarmFileStaysOne(t *testing.T) {
	_, text := farmWithEverySecret(t)
	redacted, err := config.Redacted(text)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(redacted, "brook") && !strings.Contains(redacted, "hazel") || strings.Contains(redacted, "4711") {
		t.Errorf("redacted is\n%s", redacted)
	}
	_, err = config.Parse("farm.yaml", []byte(redacted))
	var mistakes config.Mistakes
	if errors.As(err, &mistakes) && strings.Contains(err.Error(), "not YAML") {
		t.Errorf("it is no farm file any more: %v\n%s", err, redacted)
	}
}

func TestSupportRefusesWhereThereIsNoData(t *testing.T) {
	cfg, text := farmWithEverySecret(t)
	err := Support(t.Context(), io.Discard, SupportOptions{Config: cfg, Text: text, DataDir: t.TempDir(), Now: time.Now()})
	if err == nil || !strings.Contains(err.Error(), "hint:") {
		t.Errorf("got %v", err)
	}
}
