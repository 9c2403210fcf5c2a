package scenario

import (
	"fmt"
	"time"

	"nightwire/ingest/farm"
	"nightwire/sim"
)

// file is a scenario as written. Times are "DAY HH:MM" in UTC, days counted from 0 at the start.
type file struct {
	Name    string                `yaml:"name"`
	About   string                `yaml:"about"`
	Start   string                `yaml:"start"` // a date
	Days    float64               `yaml:"days"`
	Seed    uint64                `yaml:"seed"`
	Farm    farmFile              `yaml:"farm"`
	Climate climateFile           `yaml:"climate"`
	Ground  map[string]groundFile `yaml:"ground"` // by zone; "all" stands in for the rest
	Power   map[string]powerFile  `yaml:"power"`
	Sensors map[string]sensorFile `yaml:"sensors"` // by zone or energizer; "all" stands in for the rest
	Faults  []faultFile           `yaml:"faults"`
	Acts    []actFile             `yaml:"acts"`
}

// farmFile holds the keys of a farm file that a season needs.
type farmFile struct {
	Farm       string          `yaml:"farm"`
	Timezone   string          `yaml:"timezone"`
	Energizers []energizerFile `yaml:"energizers"`
	Zones      []zoneFile      `yaml:"zones"`
}

type reportFile struct {
	Topic string        `yaml:"topic"`
	Every time.Duration `yaml:"every"`
}

type energizerFile struct {
	Name       string        `yaml:"name"`
	Supply     string        `yaml:"supply"`
	OpenKV     float64       `yaml:"open_kv"`
	SourceOhms float64       `yaml:"source_ohms,omitempty"`
	EarthOhms  float64       `yaml:"earth_ohms,omitempty"`
	PulseEvery time.Duration `yaml:"pulse_every,omitempty"`
	Sensor     *reportFile   `yaml:"sensor,omitempty"`
}

type zoneFile struct {
	Name      string      `yaml:"name"`
	FedBy     string      `yaml:"fed_by"`
	LengthM   float64     `yaml:"length_m"`
	OhmsPerKM float64     `yaml:"ohms_per_km"`
	Stock     string      `yaml:"stock,omitempty"`
	MinimumKV float64     `yaml:"minimum_kv,omitempty"`
	Marks     []markFile  `yaml:"marks,omitempty"`
	JoinedTo  string      `yaml:"joined_to,omitempty"`
	Sensor    *reportFile `yaml:"sensor,omitempty"`
}

type markFile struct {
	AtM  float64 `yaml:"at_m"`
	Name string  `yaml:"name"`
}

type climateFile struct {
	Latitude  float64      `yaml:"latitude"`
	Longitude float64      `yaml:"longitude"`
	MeanC     float64      `yaml:"mean_c"`
	SeasonC   float64      `yaml:"season_c"`
	DayC      float64      `yaml:"day_c"`
	RainHours float64      `yaml:"rain_hours"`
	RainMM    float64      `yaml:"rain_mm"`
	WindMS    float64      `yaml:"wind_ms"`
	StartSoil float64      `yaml:"start_soil"`
	DryDays   [][2]float64 `yaml:"dry_days"`
}

type groundFile struct {
	WiresMM   []float64 `yaml:"wires_mm"`
	StartMM   float64   `yaml:"start_mm"`
	Vigour    float64   `yaml:"vigour"`
	Contact   float64   `yaml:"contact"`
	Patchy    float64   `yaml:"patchy"`
	Dew       float64   `yaml:"dew"`
	OhmsRatio float64   `yaml:"ohms_ratio"`
	DrySiemen float64   `yaml:"dry_siemens_per_km"`
	Dirt      float64   `yaml:"dirt"`
	Pushes    float64   `yaml:"pushes_a_day"`
}

type powerFile struct {
	BatteryAH float64 `yaml:"battery_ah"`
	Start     float64 `yaml:"start"`
	DrawMA    float64 `yaml:"draw_ma"`
	SolarMA   float64 `yaml:"solar_ma"`
	NoSwap    bool    `yaml:"no_swap"`
	OpenRatio float64 `yaml:"open_ratio"`
}

type sensorFile struct {
	Gain        float64       `yaml:"gain"`
	GainSpread  float64       `yaml:"gain_spread"`
	PerC        float64       `yaml:"per_c"`
	White       float64       `yaml:"white"`
	Wander      float64       `yaml:"wander"`
	WanderTime  time.Duration `yaml:"wander_time"`
	StepVolts   float64       `yaml:"step_v"`
	FloorVolts  float64       `yaml:"floor_v"`
	Glitch      float64       `yaml:"glitch"`
	Loss        float64       `yaml:"loss"`
	LossRun     float64       `yaml:"loss_run"`
	Jitter      time.Duration `yaml:"jitter"`
	Duplicates  float64       `yaml:"duplicates"`
	DriftPPM    float64       `yaml:"drift_ppm"`
	ClockOffset time.Duration `yaml:"clock_offset"`
	Stamp       string        `yaml:"stamp"`
	Seq         bool          `yaml:"seq"`
	Payload     string        `yaml:"payload"`
	NoPulses    bool          `yaml:"no_pulses"`
	BatteryDays float64       `yaml:"battery_days"`
	RSSI        float64       `yaml:"rssi"`
	Earth       bool          `yaml:"earth"`
	NoSupply    bool          `yaml:"no_supply"`
}

type faultFile struct {
	Kind      string        `yaml:"kind"`
	Zone      string        `yaml:"zone"`
	Energizer string        `yaml:"energizer"`
	AtM       float64       `yaml:"at_m"`
	Ohms      float64       `yaml:"ohms"`
	Strand    int           `yaml:"strand"`
	Level     float64       `yaml:"level"`
	From      string        `yaml:"from"`
	To        string        `yaml:"to"`
	Over      time.Duration `yaml:"over"`
	Late      bool          `yaml:"late"`
}

type actFile struct {
	Kind     string  `yaml:"kind"`
	Zone     string  `yaml:"zone"`
	At       string  `yaml:"at"`
	Until    string  `yaml:"until"`
	HeightMM float64 `yaml:"height_mm"`
	Level    float64 `yaml:"level"`
}

func (f *file) scenario() (*Scenario, error) {
	start, err := time.Parse(time.DateOnly, f.Start)
	if err != nil {
		return nil, fmt.Errorf("start %q is not a date such as 2026-05-01", f.Start)
	}
	if !(f.Days > 0 && f.Days <= 1830) {
		return nil, fmt.Errorf("days %g must be over 0 and at most 1830", f.Days)
	}
	fm, err := f.Farm.farm()
	if err != nil {
		return nil, err
	}
	s := &Scenario{Name: f.Name, About: f.About}
	s.Options = sim.Options{
		Farm: fm, Start: start, Length: time.Duration(f.Days * 24 * float64(time.Hour)), Seed: f.Seed,
		Climate: f.Climate.climate(), Powers: f.powers(),
	}
	if s.Options.Grounds, err = f.grounds(fm); err != nil {
		return nil, err
	}
	if s.Options.Sensors, err = f.sensors(fm); err != nil {
		return nil, err
	}
	for i := range f.Faults {
		fault, err := f.Faults[i].fault(start)
		if err != nil {
			return nil, err
		}
		s.Options.Faults = append(s.Options.Faults, fault)
	}
	for i := range f.Acts {
		act, err := f.Acts[i].act(start)
		if err != nil {
			return nil, err
		}
		s.Options.Acts = append(s.Options.Acts, act)
	}
	return s, nil
}

// when reads "DAY HH:MM"; an empty text is the zero time.
func when(text string, start time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	var day, hour, minute int
	if n, err := fmt.Sscanf(text, "%d %d:%d", &day, &hour, &minute); n != 3 || err != nil ||
		day < 0 || day > 2000 || hour < 0 || hour > 23 || minute < 0 || minute > 59 {
		return time.Time{}, fmt.Errorf("time %q is not written as a day and a clock time, such as \"12 04:30\"", text)
	}
	return start.Add(time.Duration(day)*24*time.Hour + time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute), nil
}

func (f *faultFile) fault(start time.Time) (sim.Fault, error) {
	from, err := when(f.From, start)
	if err != nil {
		return sim.Fault{}, err
	}
	to, err := when(f.To, start)
	if err != nil {
		return sim.Fault{}, err
	}
	on := farm.ZoneSource(f.Zone)
	switch {
	case f.Zone != "" && f.Energizer != "":
		return sim.Fault{}, fmt.Errorf("fault %s names both a zone and an energizer; name one", f.Kind)
	case f.Energizer != "":
		on = farm.EnergizerSource(f.Energizer)
	case f.Zone == "":
		on = farm.Site
	}
	return sim.Fault{
		Kind: sim.Kind(f.Kind), On: on, AtM: f.AtM, Ohms: f.Ohms, Strand: f.Strand, Level: f.Level,
		From: from, To: to, Over: f.Over, Late: f.Late,
	}, nil
}

func (a *actFile) act(start time.Time) (sim.Act, error) {
	at, err := when(a.At, start)
	if err != nil {
		return sim.Act{}, err
	}
	until, err := when(a.Until, start)
	if err != nil {
		return sim.Act{}, err
	}
	return sim.Act{Kind: sim.ActKind(a.Kind), Zone: a.Zone, At: at, Until: until, HeightMM: a.HeightMM, Level: a.Level}, nil
}

func (f *file) grounds(fm *farm.Farm) (map[string]sim.Ground, error) {
	out := map[string]sim.Ground{}
	for name := range f.Ground {
		if name != "all" && fm.Zone(name) == nil {
			return nil, fmt.Errorf("ground of %q: there is no such zone", name)
		}
	}
	for _, z := range fm.Zones {
		g, ok := f.Ground[z.Name]
		if !ok {
			g = f.Ground["all"]
		}
		out[z.Name] = sim.Ground{
			WireMM: g.WiresMM, StartMM: g.StartMM, Vigour: g.Vigour, Contact: g.Contact, Patchy: g.Patchy,
			DewShare: g.Dew, OhmsRatio: g.OhmsRatio, DrySiemen: g.DrySiemen, Dirt: g.Dirt, PushesDay: g.Pushes,
		}
	}
	return out, nil
}

func (f *file) powers() map[string]sim.Power {
	out := map[string]sim.Power{}
	for name, p := range f.Power {
		out[name] = sim.Power{
			BatteryAH: p.BatteryAH, StartPart: p.Start, DrawMA: p.DrawMA, SolarMA: p.SolarMA, NoSwap: p.NoSwap, OpenRatio: p.OpenRatio,
		}
	}
	return out
}

func (f *file) sensors(fm *farm.Farm) (map[farm.Source]sim.Sensor, error) {
	out := map[farm.Source]sim.Sensor{}
	for name, s := range f.Sensors {
		on := farm.Source("")
		switch {
		case name == "all":
		case fm.Zone(name) != nil:
			on = farm.ZoneSource(name)
		case fm.Energizer(name) != nil:
			on = farm.EnergizerSource(name)
		default:
			return nil, fmt.Errorf("sensor of %q: there is no such zone or energizer", name)
		}
		out[on] = s.sensor()
	}
	return out, nil
}

func (s *sensorFile) sensor() sim.Sensor {
	return sim.Sensor{
		Gain: s.Gain, GainSpread: s.GainSpread, PerC: s.PerC, White: s.White, Wander: s.Wander, WanderTime: s.WanderTime,
		StepVolts: s.StepVolts, FloorVolts: s.FloorVolts, Glitch: s.Glitch, Loss: s.Loss, LossRun: s.LossRun, Jitter: s.Jitter,
		Duplicates: s.Duplicates, DriftPPM: s.DriftPPM, ClockOffset: s.ClockOffset, Stamp: sim.Stamp(s.Stamp), Seq: s.Seq, Payload: sim.Payload(s.Payload),
		NoPulses: s.NoPulses, BatteryDays: s.BatteryDays, RSSI: s.RSSI, EarthReading: s.Earth, NoSupply: s.NoSupply,
	}
}

func (c *climateFile) climate() sim.Climate {
	out := sim.Climate{
		LatitudeDeg: c.Latitude, LongitudeDeg: c.Longitude, MeanC: c.MeanC, SeasonC: c.SeasonC, DayC: c.DayC,
		RainHours: c.RainHours, RainMM: c.RainMM, WindMS: c.WindMS, StartSoil: c.StartSoil,
	}
	for _, d := range c.DryDays {
		out.Dry = append(out.Dry, sim.Spell{FromDay: d[0], ToDay: d[1]})
	}
	return out
}

func (f *farmFile) farm() (*farm.Farm, error) {
	loc, err := time.LoadLocation(f.Timezone)
	if err != nil {
		return nil, fmt.Errorf("timezone %q is not known; use a name such as Europe/Dublin", f.Timezone)
	}
	out := &farm.Farm{Name: f.Farm, Location: loc}
	for _, e := range f.Energizers {
		en := farm.Energizer{
			Name: e.Name, Supply: farm.Supply(e.Supply), OpenVolts: e.OpenKV * 1000, SourceOhms: e.SourceOhms,
			EarthOhms: e.EarthOhms, PulseEvery: e.PulseEvery, Sensor: e.Sensor.sensor(),
		}
		if en.SourceOhms == 0 {
			en.SourceOhms, en.SourceAssumed = farm.DefaultSourceOhms, true
		}
		if en.PulseEvery == 0 {
			en.PulseEvery = 1300 * time.Millisecond
		}
		out.Energizers = append(out.Energizers, en)
	}
	for _, z := range f.Zones {
		zn := farm.Zone{
			Name: z.Name, FedBy: z.FedBy, LengthM: z.LengthM, OhmsPerKM: z.OhmsPerKM, Stock: z.Stock,
			MinimumVolts: z.MinimumKV * 1000, MinimumGiven: z.MinimumKV > 0, JoinedTo: z.JoinedTo, Sensor: z.Sensor.sensor(),
		}
		if !zn.MinimumGiven {
			zn.MinimumVolts, _ = farm.DefaultMinimumVolts(z.Stock)
		}
		for _, m := range z.Marks {
			zn.Marks = append(zn.Marks, farm.Mark{AtM: m.AtM, Name: m.Name})
		}
		out.Zones = append(out.Zones, zn)
	}
	return out, nil
}

func (r *reportFile) sensor() farm.Sensor {
	if r == nil {
		return farm.Sensor{}
	}
	return farm.Sensor{Topic: r.Topic, Every: r.Every}
}
