package config

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightwire/ingest/farm"
)

var update = flag.Bool("update", false, "write what the package now prints into the golden files")

// clean is a stand-in for the line model: what the wire's own ohms leave of the open voltage into 50 kΩ.
func clean(f farm.Farm) map[string]float64 {
	volts := map[string]float64{}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		ohms := map[string]float64{e.Name: e.SourceOhms}
		for _, z := range f.Feeding(e.Name) {
			ohms[z.Name] = ohms[z.FedBy] + z.Ohms()
			volts[z.Name] = e.OpenVolts * 50e3 / (50e3 + ohms[z.Name])
		}
	}
	return volts
}

// TestBadFiles compares everything that is wrong with each file of testdata/bad with the golden text beside it.
func TestBadFiles(t *testing.T) {
	for _, file := range yamlFiles(t, "testdata/bad") {
		t.Run(filepath.Base(file), func(t *testing.T) {
			_, err := Parse(filepath.Base(file), readFile(t, file))
			var mistakes Mistakes
			if !errors.As(err, &mistakes) {
				t.Fatalf("got %v, want mistakes", err)
			}
			golden(t, file, err.Error()+"\n")
			for _, m := range mistakes {
				if m.Line < 1 || m.Column < 1 || m.Text == "" {
					t.Errorf("mistake without a place or a text: %+v", m)
				}
			}
		})
	}
}

// TestGoodFiles compares the report on each file of testdata/good with the golden text beside it.
func TestGoodFiles(t *testing.T) {
	for _, file := range yamlFiles(t, "testdata/good") {
		t.Run(filepath.Base(file), func(t *testing.T) {
			c, err := Parse(filepath.Base(file), readFile(t, file))
			if err != nil {
				t.Fatal(err)
			}
			var b strings.Builder
			if err := Report(&b, c, clean); err != nil {
				t.Fatal(err)
			}
			golden(t, file, b.String())
		})
	}
}

// TestExampleFiles loads every farm file that the project hands out.
func TestExampleFiles(t *testing.T) {
	root := filepath.Join("..", "..", "..", "..")
	for _, dir := range []string{"deploy/examples", "testdata/farms"} {
		for _, file := range yamlFiles(t, filepath.Join(root, dir)) {
			t.Run(filepath.Base(file), func(t *testing.T) {
				c, err := Load(file)
				if err != nil {
					t.Fatal(err)
				}
				var b strings.Builder
				if err := Report(&b, c, clean); err != nil {
					t.Fatal(err)
				}
				if strings.Contains(b.String(), "cannot reach its minimum") {
					t.Errorf("an example that cannot work:\n%s", b.String())
				}
			})
		}
	}
}

func yamlFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no farm files in %s: %v", dir, err)
	}
	return files
}

func readFile(t testing.TB, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// golden compares got with the text file beside a farm file, or writes it there.
func golden(t *testing.T, file, got string) {
	t.Helper()
	name := strings.TrimSuffix(file, ".yaml") + ".txt"
	if *update {
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(string(readFile(t, name)), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

// everyKind has something of each kind of thing that a farm may have.
const everyKind = `
farm: alder-bank
timezone: Europe/Dublin
energizers:
  - name: cartshed
    supply: battery
    open_kv: 8.2
    source_ohms: 350
    earth_ohms: 60
    pulse_every: 1.3s
    sensor: {topic: alder-bank/cartshed/output, every: 60s}
zones:
  - name: brook
    fed_by: cartshed
    length_m: 180
    ohms_per_km: 4000
    stock: pigs
    minimum_kv: 2.5
    marks: [{at_m: 90, name: bridge}, {at_m: 40, name: lower gate}]
    sensor: {topic: alder-bank/brook/kv, every: 60s}
  - name: lane
    fed_by: brook
    length_m: 100
    conductor: {material: stainless, strands: 6, diameter_mm: 0.2}
    stock: sheep
    training: true
    joined_to: brook
    sensor: {topic: alder-bank/lane/kv, fields: {kv: /fence/kv, t: /time}}
people:
  - {name: Tom, mail: tom@example.org}
  - {name: Aoife, order: 1, push: aoife, quiet: none}
channels:
  mail: {host: smtp.example.org, from: fence@example.org}
  push: {server: "https://push.example.org"}
`

// What nobody has measured of an energizer is taken to be usual, and known to be a guess.
func TestSourceOhmsLeftOut(t *testing.T) {
	c, err := Parse("farm.yaml", []byte(strings.Replace(everyKind, "    source_ohms: 350\n", "", 1)))
	if err != nil {
		t.Fatal(err)
	}
	if e := c.Farm.Energizers[0]; e.SourceOhms != farm.DefaultSourceOhms || !e.SourceAssumed {
		t.Errorf("%g ohms, assumed %t", e.SourceOhms, e.SourceAssumed)
	}
}

func TestParseFillsInEverything(t *testing.T) {
	c, err := Parse("farm.yaml", []byte(everyKind))
	if err != nil {
		t.Fatal(err)
	}
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	want := farm.Farm{
		Name: "alder-bank", Location: dublin,
		Energizers: []farm.Energizer{{
			Name: "cartshed", Supply: farm.Battery, OpenVolts: 8200, SourceOhms: 350, EarthOhms: 60,
			PulseEvery: 1300 * time.Millisecond, Sensor: farm.Sensor{Topic: "alder-bank/cartshed/output", Every: time.Minute},
		}},
		Zones: []farm.Zone{{
			Name: "brook", FedBy: "cartshed", LengthM: 180, OhmsPerKM: 4000, Stock: "pigs", MinimumVolts: 2500, MinimumGiven: true,
			Marks:  []farm.Mark{{AtM: 40, Name: "lower gate"}, {AtM: 90, Name: "bridge"}},
			Sensor: farm.Sensor{Topic: "alder-bank/brook/kv", Every: time.Minute},
		}, {
			Name: "lane", FedBy: "brook", LengthM: 100, OhmsPerKM: 3660.56, Stock: "sheep", Training: true, MinimumVolts: 4500, JoinedTo: "brook",
			Conductor: farm.Conductor{{Material: "stainless", Strands: 6, DiameterMM: 0.2}},
			Sensor: farm.Sensor{
				Topic: "alder-bank/lane/kv", Every: time.Minute,
				Format: farm.Format{Kind: "pointer", Pointers: map[string]string{"kv": "/fence/kv", "t": "/time"}},
			},
		}},
		People: []farm.Person{
			{Name: "Tom", Order: 1, Routes: []farm.Route{{Channel: "mail", Address: "tom@example.org"}}, Quiet: farm.Hours{From: 1320, To: 420},
				Letters: farm.LetterKinds()},
			{Name: "Aoife", Order: 1, Routes: []farm.Route{{Channel: "push", Address: "aoife"}}},
		},
	}
	diff := cmp.Diff(want, c.Farm, cmpopts.EquateApprox(1e-5, 0), cmpopts.EquateEmpty(),
		cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }))
	if diff != "" {
		t.Errorf("farm (-want +got):\n%s", diff)
	}
	if got := c.Channels.Mail; got.Port != 587 || got.Security != "starttls" {
		t.Errorf("mail goes to port %d by %q, want 587 by starttls", got.Port, got.Security)
	}
	if c.Broker.Listen != DefaultBrokerListen || !c.Broker.Embedded() || c.Page.Listen != DefaultPageListen {
		t.Errorf("broker listens on %q, page on %q, want the defaults", c.Broker.Listen, c.Page.Listen)
	}
	if c.Alarms.RepeatEvery != 10*time.Minute || c.Alarms.Evening.String() != "19:00" {
		t.Errorf("alarms: %+v, want the defaults", c.Alarms)
	}
}

// TestOversizedFiles checks that what is meant to hurt is refused, with the size told before anything is parsed.
func TestOversizedFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "huge.yaml")
	if err := os.WriteFile(path, []byte(strings.Repeat("a: b\n", 2<<20)), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Load(path)
	if err == nil || !strings.Contains(err.Error(), "longer than 1048576 bytes") {
		t.Errorf("10 MB file: got %v", err)
	}
}

func TestManyMistakesAreCut(t *testing.T) {
	_, err := Parse("farm.yaml", []byte("farm: a\n"+strings.Repeat("zzz: 1\n", 1000)))
	if err == nil || !strings.Contains(err.Error(), "… and 952 more") {
		t.Errorf("got %.300v", err)
	}
}

func TestLoadTellsOfMissingFile(t *testing.T) {
	_, err := Load(filepath.Join(t.TempDir(), "none.yaml"))
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v, want that it does not exist", err)
	}
}

// A file with the line ends of Windows, some or all, has its mistakes where they are.
func TestMistakesWithOtherLineEnds(t *testing.T) {
	text := "# spring\nfarm: bank   # short\nenergizers:\n  - {name: shed, open_kv: 8} # by the door\nzones:\n  # uphill\n" +
		"  - {name: hazel, fed_by: nowhere, length_m: 150, ohms_per_km: 4000, stock: sheep}\n"
	_, want := Parse("farm.yaml", []byte(text))
	for name, text := range map[string]string{"all": strings.ReplaceAll(text, "\n", "\r\n"), "the first": strings.Replace(text, "\n", "\r\n", 1)} {
		if _, got := Parse("farm.yaml", []byte(text)); got == nil || got.Error() != want.Error() {
			t.Errorf("%s: got %v, want %v", name, got, want)
		}
	}
}
