package arch

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// room is a package's row in the import table. What it may import besides the standard library and the metrics library
// is named from the top of the module where it is ours. A trailing /... takes in everything below.
type room struct {
	name  string
	may   []string
	tests []string // what its tests may import as well
}

// rooms is the import table. It is read from the bottom: a reading knows nothing, and app knows everybody.
func rooms() []room {
	const (
		paho   = "github.com/eclipse/paho.mqtt.golang/..."
		sqlite = "modernc.org/sqlite/..."
		gonum  = "gonum.org/v1/gonum/..."
	)
	return []room{
		{name: "ingest/pulse"},
		{name: "ingest/farm"},
		{name: "ingest/decode", may: []string{"ingest/pulse"}},
		{name: "ingest/mqtt", may: []string{"ingest/pulse", paho, "golang.org/x/time/rate", "github.com/gorilla/websocket"}, // paho's own web socket
			tests: []string{"ingest/broker"}}, // both kinds of broker are peers to test against
		{name: "ingest/broker", may: []string{"github.com/nats-io/nats-server/v2/...", "golang.org/x/crypto/bcrypt", "golang.org/x/time/rate"},
			tests: []string{paho}},
		{name: "ingest/influx", may: []string{"ingest/pulse", "github.com/influxdata/influxdb-client-go/v2/..."}, tests: []string{"ingest/store"}},
		{name: "ingest/store", may: []string{"ingest/pulse", sqlite}},

		{name: "alerts", may: []string{"ingest/farm", "ingest/pulse"}},
		{name: "alerts/rolling"},
		{name: "alerts/paragraph"},
		{name: "alerts/line", may: []string{"ingest/farm", gonum}},
		{name: "alerts/turnout", may: []string{"alerts", "alerts/line", "alerts/paragraph", "ingest/farm"},
			tests: []string{"ingest/decode", "ingest/pulse", "sim", "sim/scenario"}}, // labelled seasons, as for the detectors
		{name: "alerts/plan", may: []string{"alerts", "alerts/line", "alerts/paragraph", "ingest/farm"}},
		{name: "alerts/detect", may: []string{"alerts", "alerts/line", "alerts/rolling", "ingest/farm", "ingest/pulse"},
			tests: []string{"ingest/decode", "sim", "sim/scenario"}}, // labelled seasons, payloads and all, score the detectors
		{name: "alerts/drill", may: []string{"alerts", "ingest/farm"}},
		{name: "alerts/weather", may: []string{"alerts"}},
		{name: "alerts/heartbeat"},
		{name: "alerts/self", may: []string{"alerts", "ingest/farm"}},
		{name: "alerts/journal", may: []string{"alerts", "ingest/farm", sqlite}}, // farm: sources are part of an alarm
		{name: "alerts/letter", may: []string{"alerts", "golang.org/x/image/..."}},
		{name: "alerts/upkeep", may: []string{"alerts"}},
		{name: "alerts/notify", may: []string{"alerts", "ingest/farm"},
			tests: []string{"alerts/journal", "alerts/notify/webhook"}}, // a message's whole way, killed and started again
		{name: "alerts/notify/internal/post", may: []string{"alerts"}},
		{name: "alerts/notify/mail", may: []string{"alerts", "github.com/wneessen/go-mail/..."}, tests: []string{"ingest/farm"}},
		{name: "alerts/notify/mqttstate", may: []string{"alerts"}, tests: []string{"ingest/farm"}},
		{name: "alerts/notify/push", may: []string{"alerts", "alerts/notify/internal/post"}, tests: []string{"ingest/farm"}},
		{name: "alerts/notify/webhook", may: []string{"alerts", "alerts/notify/internal/post"}, tests: []string{"ingest/farm"}},

		{name: "sim", may: []string{"ingest/farm", "ingest/pulse"}},
		{name: "sim/outside"}, {name: "sim/scenario", may: []string{"sim", "ingest/farm", "ingest/pulse", "github.com/goccy/go-yaml"}},

		{name: "cmd/nightwire", may: []string{"cmd/nightwire/internal/app", "cmd/nightwire/internal/config", "cmd/nightwire/internal/daylog", "cmd/nightwire/internal/farms", "cmd/nightwire/internal/progress",
			"github.com/spf13/cobra/...", "github.com/spf13/pflag", "golang.org/x/term", // is it a terminal?
			"alerts",                                                                         // the manual page has its cautions
			"alerts/plan", "alerts/turnout", "alerts/upkeep", "ingest/farm", "sim/scenario"}, // the command line names soils, zones, tasks and seasons
			tests: []string{paho, "github.com/nats-io/nats-server/v2/...", "alerts", "cmd/nightwire/internal/control"}}, // whole nights, over MQTT, and what people do in them
		{name: "cmd/nightwire/internal/app", may: []string{"ingest/...", "alerts/...", "sim/...", paho,
			"cmd/nightwire/internal/config", "cmd/nightwire/internal/control", "cmd/nightwire/internal/daylog", "cmd/nightwire/internal/progress", "cmd/nightwire/internal/web/..."}},
		{name: "cmd/nightwire/internal/arch"}, {name: "cmd/nightwire/internal/daylog"}, {name: "cmd/nightwire/internal/progress"},
		{name: "cmd/nightwire/internal/control", may: []string{"alerts", "ingest/farm"}},
		{name: "cmd/nightwire/internal/config", may: []string{"alerts", "ingest/decode", "ingest/farm", "github.com/goccy/go-yaml/..."}},
		{name: "cmd/nightwire/internal/farms", may: []string{"cmd/nightwire/internal/config", "github.com/nats-io/nats.go/..."}, tests: []string{"github.com/nats-io/nats-server/v2/...", "github.com/chromedp/..."}},
		{name: "cmd/nightwire/internal/web", may: []string{"alerts", "alerts/weather", "ingest/farm", "ingest/pulse", "cmd/nightwire/internal/web/chart",
			"golang.org/x/crypto/bcrypt"}, tests: []string{"github.com/chromedp/..."}},
		{name: "cmd/nightwire/internal/web/chart"},
	}
}

// anywhere is what every package may import, and what every test may.
func anywhere() (code, tests []string) {
	return []string{"github.com/prometheus/client_golang/..."},
		[]string{"github.com/google/go-cmp/...", "github.com/rogpeppe/go-internal/...", "sim/outside"}
}

const module = "nightwire/"

// root returns the top of the module.
func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs(filepath.Join("..", "..", "..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// listed is what the go command says of one package.
type listed struct {
	ImportPath, Name, Doc              string
	Imports, TestImports, XTestImports []string
	Deps                               []string
}

// list returns all packages of the module, with names from its top.
func list(t *testing.T) []listed {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Name,Doc,Imports,TestImports,XTestImports,Deps", "./...")
	cmd.Dir = root(t)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("list packages: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatalf("read the list of packages: %v", err)
		}
		p.ImportPath = strings.TrimPrefix(p.ImportPath, module)
		for _, paths := range [][]string{p.Imports, p.TestImports, p.XTestImports, p.Deps} {
			for i := range paths {
				paths[i] = strings.TrimPrefix(paths[i], module)
			}
		}
		all = append(all, p)
	}
}

// standard reports whether a path is the standard library's: a domain or a top-level folder of ours begins all others.
func standard(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	return !strings.Contains(first, ".") && !slices.Contains([]string{"cmd", "ingest", "alerts", "sim"}, first)
}

// covers reports whether a path is one of the patterns or below one that ends in /... .
func covers(patterns []string, path string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool {
		base, below := strings.CutSuffix(p, "/...")
		return path == base || below && strings.HasPrefix(path, base+"/")
	})
}

// TestPackages checks who imports whom, and that every package says what it is for.
func TestPackages(t *testing.T) {
	all := list(t)
	t.Run("table", func(t *testing.T) { importTable(t, all) })
	t.Run("arrows", func(t *testing.T) { arrows(t, all) })
	t.Run("siblings", func(t *testing.T) { siblings(t, all) })
	t.Run("comments", func(t *testing.T) { packageComments(t, all) })
}

// importTable holds every package against its row, both ways round.
func importTable(t *testing.T, all []listed) {
	always, inTests := anywhere()
	table := map[string]room{}
	for _, r := range rooms() {
		table[r.name] = r
	}
	for _, p := range all {
		r, ok := table[p.ImportPath]
		if !ok {
			t.Errorf("%s has no row in the import table: add one, with as few imports as it can live with", p.ImportPath)
			continue
		}
		delete(table, p.ImportPath)
		may := append(slices.Clone(always), r.may...)
		for _, path := range p.Imports {
			if !standard(path) && !covers(may, path) {
				t.Errorf("%s imports %s, which its row in the import table does not have", p.ImportPath, path)
			}
		}
		may = append(append(may, inTests...), append(r.tests, p.ImportPath)...)
		for _, path := range append(p.TestImports, p.XTestImports...) {
			if !standard(path) && !covers(may, path) {
				t.Errorf("a test of %s imports %s, which its row in the import table does not have", p.ImportPath, path)
			}
		}
	}
	for name := range table {
		t.Errorf("the import table has a row for %s, which is no package", name)
	}
}

// arrows checks what no row of the table may ever allow, also by way of another package.
func arrows(t *testing.T, all []listed) {
	forbidden := []struct{ from, never string }{
		{"ingest", "alerts"}, {"ingest", "sim"}, {"ingest", "cmd"},
		{"alerts", "sim"}, {"alerts", "cmd"},
		{"sim", "alerts"}, {"sim", "cmd"},
	}
	for _, a := range forbidden {
		checked := 0
		for _, p := range all {
			if !covers([]string{a.from + "/..."}, p.ImportPath) {
				continue
			}
			checked++
			if i := slices.IndexFunc(p.Deps, func(d string) bool { return covers([]string{a.never + "/..."}, d) }); i >= 0 {
				t.Errorf("%s depends on %s: nothing in %s may on %s", p.ImportPath, p.Deps[i], a.from, a.never)
			}
		}
		if checked == 0 {
			t.Errorf("there is no package in %s", a.from)
		}
	}
}

// siblings checks that packages side by side do not know each other; app joins them.
func siblings(t *testing.T, all []listed) {
	alone := []string{"ingest/decode", "ingest/mqtt", "ingest/broker", "ingest/store", "alerts/journal", "alerts/notify", "alerts/detect"}
	for _, p := range all {
		if path.Dir(p.ImportPath) == "alerts/notify" {
			alone = append(alone, p.ImportPath)
		}
	}
	for _, p := range all {
		if !slices.Contains(alone, p.ImportPath) {
			continue
		}
		for _, d := range p.Imports {
			if slices.Contains(alone, d) {
				t.Errorf("%s imports its sibling %s", p.ImportPath, d)
			}
		}
	}
}

func packageComments(t *testing.T, all []listed) {
	for _, p := range all {
		want := "Package " + p.Name + " "
		if p.Name == "main" {
			want = "Command " + path.Base(p.ImportPath) + " "
		}
		if !strings.HasPrefix(p.Doc, want) {
			t.Errorf("the comment of %s begins %q, want %q and then its task", p.ImportPath, p.Doc, want)
		}
	}
}
