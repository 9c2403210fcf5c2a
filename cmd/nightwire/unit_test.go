package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"nightwire/sim/outside"
)

const unitFile = "../../deploy/nightwire.service"

// mostExposure is the unit's worst allowed score, of 10, where 0 is best.
const mostExposure = 2.0

// exposure returns the score that systemd gives a unit.
func exposure(t *testing.T, analyze, unit string) float64 {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), analyze, "security", "--offline=true", "--no-pager", unit).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	m := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("no score in\n%s", out)
	}
	score, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return score
}

// TestUnitIsLittleExposed has systemd judge the unit, and the same unit with its hardening taken out, so that the check
// is known to be able to fail.
func TestUnitIsLittleExposed(t *testing.T) {
	analyze := outside.Program(t, "systemd-analyze")
	got := exposure(t, analyze, unitFile)
	t.Logf("exposure %.1f", got)
	if got > mostExposure {
		t.Errorf("exposure is %.1f, at most %.1f is wanted; systemd-analyze security --offline=true %s says why", got, mostExposure, unitFile)
	}
	text, err := os.ReadFile(unitFile)
	if err != nil {
		t.Fatal(err)
	}
	bare := regexp.MustCompile(`(?m)^(Protect|Private|Restrict|SystemCall|Capability|NoNew|Dynamic).*$`).ReplaceAll(text, nil)
	path := filepath.Join(t.TempDir(), "nightwire.service")
	if err := os.WriteFile(path, bare, 0o600); err != nil {
		t.Fatal(err)
	}
	if got := exposure(t, analyze, path); got <= mostExposure {
		t.Errorf("without its hardening the unit scores %.1f too, so the check proves nothing", got)
	}
}

// TestUnitSaysWhatTheProgramDoes holds the unit's promises against the program.
func TestUnitSaysWhatTheProgramDoes(t *testing.T) {
	text, err := os.ReadFile(unitFile)
	if err != nil {
		t.Fatal(err)
	}
	settings := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(line, "#") {
			settings[key] = value
		}
	}
	for key, want := range map[string]string{"Type": "notify", "WatchdogSec": "2min", "DynamicUser": "yes", "StateDirectory": "nightwire", "Restart": "always",
		"ExecReload": "/bin/kill -HUP $MAINPID"} {
		if settings[key] != want {
			t.Errorf("%s is %q, want %q", key, settings[key], want)
		}
	}
	args := strings.Fields(settings["ExecStart"])
	cmd, flags, err := newRoot().Find(args[1:])
	if err != nil || cmd.Name() != "run" {
		t.Fatalf("ExecStart runs %v, %v", cmd, err)
	}
	if err := cmd.ParseFlags(flags); err != nil {
		t.Error(err)
	}
	t.Setenv("STATE_DIRECTORY", "/var/lib/nightwire")
	if got := defaultData(); got != "/var/lib/nightwire" {
		t.Errorf("with a StateDirectory data goes to %s", got)
	}
}
