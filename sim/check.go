package sim

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"nightwire/ingest/farm"
)

// Limits of what a season may be made of. They keep a slip of the pen from running for hours.
const (
	longestSeason = 5 * 366 * 24 * time.Hour
	mostZones     = 100
	mostStrands   = 8
	mostPushes    = 2000 // a day
	longestZoneM  = 50_000
)

func (o *Options) check() error {
	if o.Farm == nil || len(o.Farm.Zones) == 0 || len(o.Farm.Energizers) == 0 {
		return errors.New("a season needs a farm with an energizer and a zone")
	}
	if y := o.Start.Year(); y < 1970 || y > 2199 || o.Length <= 0 || o.Length > longestSeason {
		return errors.New("a season needs a start in the years 1970 to 2199 and a length of at most five years")
	}
	if err := checkFarm(o.Farm); err != nil {
		return err
	}
	for name, g := range o.Grounds {
		if err := g.check(); err != nil {
			return fmt.Errorf("ground of %s: %w", name, err)
		}
	}
	for name, p := range o.Powers {
		if !within(0, 1e6, p.BatteryAH, p.DrawMA, p.SolarMA) || !within(0, 1, p.StartPart) || !within(0, 10, p.OpenRatio) {
			return fmt.Errorf("power of %s has a figure out of range; none is negative, and a start is a share up to 1", name)
		}
	}
	for on, q := range o.Sensors {
		if err := q.check(); err != nil {
			return fmt.Errorf("sensor of %s: %w", cmp.Or(on, "all"), err)
		}
	}
	if err := o.Climate.check(); err != nil {
		return err
	}
	for i := range o.Faults {
		if err := o.Faults[i].check(o.Farm, o.strands); err != nil {
			return err
		}
	}
	for i := range o.Acts {
		if err := o.Acts[i].check(o.Farm); err != nil {
			return err
		}
	}
	return nil
}

// within reports whether all values are numbers from low to high.
func within(low, high float64, values ...float64) bool {
	for _, v := range values {
		if !(v >= low && v <= high) {
			return false
		}
	}
	return true
}

func (g *Ground) check() error {
	switch {
	case len(g.WireMM) > mostStrands:
		return fmt.Errorf("%d wires are more than %d", len(g.WireMM), mostStrands)
	case !within(1, 5000, g.WireMM...):
		return errors.New("wires are 1 to 5,000 mm above the ground")
	case !within(0, 5000, g.StartMM) || !within(0, 100, g.Vigour, g.Contact, g.DewShare, g.Dirt):
		return errors.New("height, vigour, contact, dew or dirt is out of range; none is negative")
	case !within(-1, 2, g.Patchy) || !within(0, 1, g.DrySiemen) || !within(0, 100, g.OhmsRatio) || !within(0, mostPushes, g.PushesDay):
		return errors.New("patchy, dry leak, ohms ratio or pushes is out of range")
	case g.OhmsRatio > 0 && g.OhmsRatio < 0.01:
		return errors.New("a wire has at least a hundredth of the ohms it should")
	}
	return nil
}

func (c *Climate) check() error {
	for _, d := range c.Dry {
		if !within(-1e6, 1e6, d.FromDay, d.ToDay) {
			return errors.New("climate: a dry spell is two days counted from the start")
		}
	}
	if !within(-90, 90, c.LatitudeDeg) || !within(-180, 180, c.LongitudeDeg) || !within(-60, 60, c.MeanC, c.SeasonC, c.DayC) ||
		!within(0, 0.9, c.RainHours) || !within(0, 100, c.RainMM, c.WindMS) || !within(0, 1, c.StartSoil) {
		return errors.New("climate: a figure is out of range; degrees, hours of rain as a share up to 0.9, soil as a share up to 1")
	}
	return nil
}

func (s *Sensor) check() error {
	switch {
	case s.Stamp != NoStamp && s.Stamp != RFC3339 && s.Stamp != Unix && s.Stamp != UnixMilli:
		return fmt.Errorf("stamp %q is not one of %s, %s, %s", s.Stamp, RFC3339, Unix, UnixMilli)
	case s.Payload != KV && s.Payload != V && s.Payload != Number:
		return fmt.Errorf("payload %q is not one of %s, %s", s.Payload, V, Number)
	case !within(0, 0.9, s.Loss) || !within(0, 1, s.Duplicates, s.Glitch) || !within(0, 1e4, s.LossRun):
		return errors.New("loss is a share up to 0.9, duplicates and glitch up to 1; none is negative")
	case s.Jitter < 0 || s.Jitter > 24*time.Hour || s.WanderTime < 0 || s.ClockOffset.Abs() > longestSeason || !within(-1e5, 1e5, s.DriftPPM):
		return errors.New("jitter is at most a day, drift 100,000 ppm, and the clock not five years off")
	case !within(0, 10, s.Gain, s.GainSpread, s.White, s.Wander) || !within(-0.1, 0.1, s.PerC):
		return errors.New("gain and noise are shares of the reading")
	case !within(0, 1e4, s.StepVolts, s.FloorVolts, s.BatteryDays) || !within(-300, 100, s.RSSI):
		return errors.New("steps, floor, battery days or rssi is out of range")
	}
	return nil
}

// checkFarm checks that the farm is a forest of zones with figures a fence can have.
func checkFarm(f *farm.Farm) error {
	if len(f.Zones)+len(f.Energizers) > mostZones {
		return fmt.Errorf("%d zones and energizers are more than %d", len(f.Zones)+len(f.Energizers), mostZones)
	}
	fedFrom := map[string]string{}
	topics, names := map[string]bool{}, map[string]bool{}
	for _, name := range thingNames(f) {
		if names[name] {
			return fmt.Errorf("two things are called %q; give each its own name", name)
		}
		names[name] = true
	}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		if !within(0, 1e5, e.OpenVolts, e.EarthOhms) || !within(1, 1e6, e.SourceOhms) {
			return fmt.Errorf("energizer %s needs open volts, at least an ohm of its own, and no negative earth", e.Name)
		}
		if e.PulseEvery < 100*time.Millisecond || e.PulseEvery > time.Minute {
			return fmt.Errorf("energizer %s pulses every %v; give between 100ms and 1m", e.Name, e.PulseEvery)
		}
		for _, z := range f.Feeding(e.Name) {
			fedFrom[z.Name] = e.Name
		}
		if err := checkSensor(e.Name, e.Sensor, topics); err != nil {
			return err
		}
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		switch {
		case !within(1, longestZoneM, z.LengthM) || !within(0.01, 1e6, z.OhmsPerKM):
			return fmt.Errorf("zone %s needs a length from 1 m and wire of 0.01 to 1,000,000 ohms per km", z.Name)
		case !within(0, 1e5, z.MinimumVolts):
			return fmt.Errorf("zone %s has a minimum of %g V", z.Name, z.MinimumVolts)
		case fedFrom[z.Name] == "":
			return fmt.Errorf("zone %s is fed by %q, which no energizer feeds; name what comes before it", z.Name, z.FedBy)
		case z.JoinedTo != "" && (z.JoinedTo == z.Name || fedFrom[z.JoinedTo] != fedFrom[z.Name]):
			return fmt.Errorf("zone %s is joined to %q; name another zone on the same energizer", z.Name, z.JoinedTo)
		}
		if err := checkSensor(z.Name, z.Sensor, topics); err != nil {
			return err
		}
	}
	return nil
}

func checkSensor(name string, s farm.Sensor, topics map[string]bool) error {
	if s.Topic == "" {
		return nil
	}
	if topics[s.Topic] {
		return fmt.Errorf("two sensors report on %q; give %s its own topic", s.Topic, name)
	}
	topics[s.Topic] = true
	if s.Every < time.Second || s.Every > math.MaxInt32*time.Second {
		return fmt.Errorf("the sensor of %s reports every %v; give a second or more", name, s.Every)
	}
	return nil
}

func thingNames(f *farm.Farm) []string {
	var names []string
	for i := range f.Energizers {
		names = append(names, f.Energizers[i].Name)
	}
	for i := range f.Zones {
		names = append(names, f.Zones[i].Name)
	}
	return names
}
