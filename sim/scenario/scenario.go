// Package scenario reads scripted seasons: a farm, its weather, growth, sensors and everything that goes wrong, from
// one YAML file with a seed. A season comes out as messages for any broker, as a capture for replay, and as labels
// that say what was truly wrong, where and when.
package scenario

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"nightwire/ingest/farm"
	"nightwire/sim"
)

//go:embed seasons/*.yaml
var seasons embed.FS

// Scenario is one scripted season.
type Scenario struct {
	Name    string
	About   string // one line on what it is there to show
	Options sim.Options

	file, farmFile []byte
}

// Names lists the seasons that come with the program, in order. "demo" is the short one to watch.
func Names() []string {
	files, err := fs.Glob(seasons, "seasons/*.yaml")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	names := make([]string, 0, len(files))
	for _, f := range files {
		names = append(names, strings.TrimSuffix(path.Base(f), ".yaml"))
	}
	return names
}

// Open returns a season that comes with the program.
func Open(name string) (*Scenario, error) {
	b, err := seasons.ReadFile("seasons/" + name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("no season is called %q; choose one of %s", name, strings.Join(Names(), ", "))
	}
	s, err := Load(b)
	if err != nil {
		return nil, fmt.Errorf("season %s: %w", name, err)
	}
	return s, nil
}

// maxFile is the largest scenario file that is read.
const maxFile = 1 << 20

// Load reads a scenario file. Unknown keys are errors.
func Load(b []byte) (*Scenario, error) {
	if len(b) > maxFile {
		return nil, errors.New("scenario file is over 1 MB; cut it down")
	}
	f, err := decode(b)
	if err != nil {
		return nil, err
	}
	s, err := f.scenario()
	if err != nil {
		return nil, fmt.Errorf("read scenario: %w", err)
	}
	if _, err := sim.New(s.probe()); err != nil {
		return nil, err
	}
	s.file = b
	if s.farmFile, err = yaml.Marshal(f.Farm); err != nil {
		return nil, fmt.Errorf("write farm file: %w", err)
	}
	return s, nil
}

// decode reads the keys of a scenario file. The library panics at some files, one with a tag where a list belongs
// among them; such a file is refused like any other that does not read.
func decode(b []byte) (f *file, err error) {
	defer func() {
		if p := recover(); p != nil {
			f, err = nil, errors.New("read scenario: this YAML cannot be read; write plain lists and tables, without tags (!), anchors (&) and aliases (*)")
		}
	}()
	f = new(file)
	switch err := yaml.NewDecoder(bytes.NewReader(b), yaml.Strict()).Decode(f); {
	case errors.Is(err, io.EOF):
		return nil, errors.New("scenario file is empty; start from one of the seasons that come along")
	case err != nil:
		return nil, fmt.Errorf("read scenario: %w", err)
	}
	return f, nil
}

// probe is the scenario cut to one day, enough to check it by preparing it.
func (s *Scenario) probe() sim.Options {
	o := s.Options
	o.Length = min(o.Length, 24*time.Hour)
	return o
}

// File returns the scenario file that the season was read from.
func (s *Scenario) File() []byte { return s.file }

// FarmFile returns the season's farm as a farm file, the configuration that watches it.
func (s *Scenario) FarmFile() []byte { return s.farmFile }

// Farm returns the season's farm.
func (s *Scenario) Farm() *farm.Farm { return s.Options.Farm }

// Sim prepares a run of the season.
func (s *Scenario) Sim() (*sim.Sim, error) { return sim.New(s.Options) }

// Truth works out what was truly wrong in the season.
func (s *Scenario) Truth() (*sim.Truth, error) { return sim.NewTruth(s.Options) }
