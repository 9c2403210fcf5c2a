package sim

import (
	"math"
	"math/rand/v2"

	"nightwire/ingest/farm"
)

// Power is what an energizer lives on.
type Power struct {
	BatteryAH float64 // default 60
	StartPart float64 // charge at the start, 0 to 1; default 1
	DrawMA    float64 // default 120: about 1.3 J stored
	SolarMA   float64 // what the panel gives in a clear noon; 0 for none
	NoSwap    bool    // nobody swaps the battery; else the keeper does at three tenths full
	OpenRatio float64 // true open volts against the farm's; default drawn, 0.97 to 1.03
}

func (p Power) withDefaults(rng *rand.Rand) Power {
	if u := rng.Float64(); p.OpenRatio == 0 {
		p.OpenRatio = 0.97 + 0.06*u
	}
	if p.BatteryAH == 0 {
		p.BatteryAH = 60
	}
	if p.StartPart == 0 {
		p.StartPart = 1
	}
	if p.DrawMA == 0 {
		p.DrawMA = 120
	}
	return p
}

// restVolts is a flooded lead-acid battery at rest: 12.6, 12.4, 12.2, 12.0 and 11.6 V from full to empty in quarters
// (ettus.com mailing list, a rule of thumb).
var restVolts = [...]float64{11.6, 12.0, 12.2, 12.4, 12.6}

func batteryRestVolts(part float64) float64 {
	x := min(max(part, 0), 1) * 4
	i := min(int(x), 3)
	return restVolts[i] + (restVolts[i+1]-restVolts[i])*(x-float64(i))
}

const (
	loadSagVolts    = 0.12 // under the energizer's draw, against rest
	chargeLiftVolts = 0.9  // while a panel charges in full sun
	fullPulsePart   = 0.25 // above this charge the energizer gives full pulses at its own interval
	deadPart        = 0.02 // below this it gives none
)

// pulse is how an energizer's output stands against its best: open volts and pulse interval.
// An under-filled capacitor at half the stored energy gives 0.707 of the peak, at a quarter half of it.
func pulse(part float64) (voltsRatio, intervalRatio float64) {
	switch {
	case part >= fullPulsePart:
		return 1, 1
	case part <= deadPart:
		return 0, 1
	}
	x := (part - deadPart) / (fullPulsePart - deadPart)
	return math.Sqrt(0.25 + 0.75*x), 1 + 0.8*(1-x)
}

// drain moves the battery's charge on by one hour.
func drain(p *Power, part float64, h *Hour) float64 {
	milliamps := p.SolarMA*h.Sun - p.DrawMA
	part = min(1, max(0, part+milliamps/1000/p.BatteryAH))
	if !p.NoSwap && part < 0.3 {
		return 1
	}
	return part
}

// supplyVolts is what a meter on the battery reads under way.
func supplyVolts(p *Power, part float64, h *Hour) float64 {
	return batteryRestVolts(part) - loadSagVolts + chargeLiftVolts*min(1, p.SolarMA*h.Sun/500)
}

// soilOhms is how many times its ordinary resistance soil has: the ordinary is 20 % moisture and 10 °C.
// Sandy loam, ohm-centimetres at 5, 10, 15, 20 and 30 % by weight: 43,000, 18,500, 10,500, 6,300, 4,200 (from memory);
// by temperature: 20 °C 7,200; 10 °C 9,900; 0 °C 13,800 as water and 30,000 as ice; −5 °C 79,000
// ("Getting Down to Earth", p. 12).
func soilOhms(moisture, tempC float64) float64 {
	percent := 5 + 25*moisture
	wet := interpolateLog([][2]float64{{5, 43000}, {10, 18500}, {15, 10500}, {20, 6300}, {30, 4200}}, percent) / 6300
	warm := interpolateLog([][2]float64{{-5, 79000}, {-0.5, 30000}, {0.5, 13800}, {10, 9900}, {20, 7200}}, tempC) / 9900
	return wet * warm
}

// interpolateLog reads a table of (x, y) with y on a logarithmic scale, flat beyond its ends.
func interpolateLog(table [][2]float64, x float64) float64 {
	if x <= table[0][0] {
		return table[0][1]
	}
	for i := 1; i < len(table); i++ {
		a, b := table[i-1], table[i]
		if x <= b[0] {
			return a[1] * math.Pow(b[1]/a[1], (x-a[0])/(b[0]-a[0]))
		}
	}
	return table[len(table)-1][1]
}

// earthOhms is the resistance of an energizer's stakes as the soil stands. Stakes reach below the frost of one night,
// so they follow the day's mean temperature, halved towards 10 °C.
func earthOhms(e *farm.Energizer, h *Hour) float64 {
	return e.EarthOhms * soilOhms(h.DeepSoil, 10+(h.MeanC-10)/2)
}
