package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"nightwire/sim/outside"
)

// TestQuickStart types what the quick start tells a reader to type, in order, in an empty folder. What needs root is
// written there as console, and is typed on a clean Debian by deploy/deb/try.sh. Only the ports are ours.
func TestQuickStart(t *testing.T) {
	outside.Program(t, "mosquitto_pub")
	page, err := os.ReadFile(filepath.Join("..", "..", "deploy", "docs", "quick-start.md"))
	if err != nil {
		t.Fatal(err)
	}
	mqtt, web := port(t), port(t)
	script := fmt.Sprintf("set -e\nmosquitto_pub() { command mosquitto_pub -p %d \"$@\"; }\n", mqtt)
	typed := 0
	for _, m := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(string(page), -1) {
		for line := range strings.Lines(m[1]) {
			typed++
			script += "echo \"$ \"'" + strings.ReplaceAll(strings.TrimSpace(line), "'", `'\''`) + "'\n" + line
			switch {
			case strings.HasPrefix(line, "nightwire init "):
				script += fmt.Sprintf("printf 'broker: {listen: \"127.0.0.1:%d\"}\\npage: {listen: \"127.0.0.1:%d\"}\\n' >> farm.yaml\n", mqtt, web)
			case strings.HasSuffix(line, "&\n"):
				script += "watch=$!; until [ -e nightwire-data/running.json ]; do kill -0 $watch; done\n"
			case strings.HasPrefix(line, "mosquitto_pub "): // people type slower than a reading takes to the disk
				script += "until nightwire status --config farm.yaml | grep -qF ' 7.9 '; do kill -0 $watch; done\n"
			}
		}
	}
	script += "kill -INT $watch; wait $watch\n"
	if typed < 5 {
		t.Fatalf("%d lines to type: is the page read rightly?", typed)
	}
	cmd := exec.CommandContext(t.Context(), "sh", "-c", script)
	cmd.Dir = t.TempDir()
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"brook +cartshed +180 m", `brook +7\.9 +2`, "password: "} {
		if !regexp.MustCompile(want).Match(out) {
			t.Errorf("nothing like %q was printed:\n%s", want, out)
		}
	}
}
