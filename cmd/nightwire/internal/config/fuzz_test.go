package config

import (
	"errors"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// FuzzParse checks what holds for every text: no panic, an end within bounded time, and either a farm that hangs
// together or mistakes that can be shown. Run it with: go test -fuzz FuzzParse ./cmd/nightwire/internal/config
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"testdata/*/*.yaml", "../../../../deploy/examples/*.yaml", "../../../../testdata/farms/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			f.Add(readFile(f, file))
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		start := time.Now()
		c, err := Parse("farm.yaml", text)
		if spent := time.Since(start); spent > 5*time.Second {
			t.Errorf("%d bytes took %s", len(text), spent)
		}
		if err == nil {
			checkFarm(t, c)
			return
		}
		var mistakes Mistakes
		if !errors.As(err, &mistakes) || len(mistakes) == 0 {
			t.Fatalf("got %T %v, want mistakes", err, err)
		}
		for _, r := range strings.ReplaceAll(err.Error(), "\n", "") {
			if !strconv.IsPrint(r) {
				t.Fatalf("mistakes show %q:\n%q", r, err.Error())
			}
		}
	})
}

// checkFarm checks what the rest of the program relies on.
func checkFarm(t *testing.T, c *Config) {
	t.Helper()
	fed := 0
	for i := range c.Farm.Energizers {
		fed += len(c.Farm.Feeding(c.Farm.Energizers[i].Name))
	}
	if len(c.Farm.Energizers) == 0 || len(c.Farm.Zones) == 0 || fed != len(c.Farm.Zones) {
		t.Errorf("%d energizers feed %d of %d zones", len(c.Farm.Energizers), fed, len(c.Farm.Zones))
	}
	for i := range c.Farm.Zones {
		z := &c.Farm.Zones[i]
		if z.Ohms() <= 0 || z.MinimumVolts <= 0 || z.Name == "" || strings.ContainsAny(z.Name, "/ +#") {
			t.Errorf("zone let through: %+v", z)
		}
	}
	if c.Farm.Location == nil || c.Farm.Name == "" {
		t.Errorf("farm let through: %q, %v", c.Farm.Name, c.Farm.Location)
	}
}
