package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Climate is what the weather is drawn from. Zero fields take the defaults of a mild, wet lowland at 53° north.
type Climate struct {
	LatitudeDeg  float64 // south is negative: the seasons are turned round
	LongitudeDeg float64 // east is positive; sets when noon is
	MeanC        float64 // mean of the year
	SeasonC      float64 // summer is this much over the mean
	DayC         float64 // a clear afternoon is this much over the day's mean
	RainHours    float64 // share of hours with rain
	RainMM       float64 // mean rain in such an hour
	WindMS       float64 // mean wind
	StartSoil    float64 // soil moisture at the start, 0 (wilting) to 1 (full)
	Dry          []Spell // no rain at all in these
}

// Spell is a stretch of days from the season's start.
type Spell struct{ FromDay, ToDay float64 }

func (c Climate) withDefaults() Climate {
	or := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	or(&c.LatitudeDeg, 53)
	or(&c.MeanC, 10)
	or(&c.SeasonC, 6)
	or(&c.DayC, 5)
	or(&c.RainHours, 0.08)
	or(&c.RainMM, 0.9)
	or(&c.WindMS, 4)
	or(&c.StartSoil, 0.8)
	return c
}

// Hour is the weather at the start of one hour.
type Hour struct {
	TempC    float64
	Sun      float64 // share of a clear noon's, 0 by night
	WindMS   float64
	RainMM   float64 // fallen in the hour before
	RainWet  float64 // how wet rain has left leaves and wires, 0 to 1
	Dew      float64 // the same for dew
	Soil     float64 // moisture of the top soil, 0 (wilting) to 1 (full)
	DeepSoil float64 // the same at the depth of earth stakes, which follows over weeks
	MeanC    float64 // smoothed over a day, for growth
	SnowMM   float64 // lying, as water
}

// Rates of wetting and drying an hour. No measured figures for leaves on fence wire were found; these are chosen so
// that dew comes on through a clear night and is gone by mid-morning, and rain dries in two or three hours of sun and wind,
// in half a day of wind alone, and hardly in a still, dull day.
const (
	dewPerHour     = 0.25
	wetPerMM       = 0.7
	dryStill       = 0.06
	drySun         = 0.45
	dryWind        = 0.012
	soilMM         = 60.0 // water the root zone holds
	evapMMPerHour  = 0.55 // at full sun and 20 °C: about 4 mm on a clear summer day
	deepHours      = 14 * 24.0
	stormBreakRate = 0.25 // a rain spell lasts four hours in the mean
)

// drawWeather draws hour after hour of weather. It is a plain stochastic process, not a model of any place.
func drawWeather(c Climate, start time.Time, hours int, rng *rand.Rand) []Hour {
	c = c.withDefaults()
	out := make([]Hour, hours+1)
	cloud, wind, anomaly := 0.0, 0.0, 0.0 // AR(1) processes of unit variance
	raining := false
	h := Hour{Soil: c.StartSoil, DeepSoil: c.StartSoil, MeanC: seasonC(c, start)}
	for i := range out {
		at := start.Add(time.Duration(i) * time.Hour)
		cloud = ar1(cloud, 12, rng)
		wind = ar1(wind, 9, rng)
		anomaly = ar1(anomaly, 60, rng)
		raining = stormNext(c, raining, float64(i)/24, rng)

		cover := 1 / (1 + math.Exp(-1.5*cloud))
		h.RainMM = 0
		if raining {
			cover = 1
			h.RainMM = c.RainMM * rng.ExpFloat64()
		}
		sun := sunHeight(c, at)
		h.Sun = sun * (1 - 0.75*cover)
		h.WindMS = c.WindMS * math.Exp(0.5*wind-0.125) * (0.7 + 0.6*sun)
		mean := seasonC(c, at) + 2.5*anomaly
		h.TempC = mean + c.DayC*(1-0.6*cover)*dayShape(c, at)
		h.MeanC += (h.TempC - h.MeanC) / 24
		wetting(&h, cover)
		watering(&h)
		out[i] = h
	}
	return out
}

// ar1 moves a process of unit variance on by one hour.
func ar1(v, hours float64, rng *rand.Rand) float64 {
	a := math.Exp(-1 / hours)
	return a*v + math.Sqrt(1-a*a)*rng.NormFloat64()
}

// stormNext draws whether the next hour has rain, so that the share of wet hours is the climate's.
func stormNext(c Climate, raining bool, day float64, rng *rand.Rand) bool {
	u := rng.Float64()
	for _, s := range c.Dry {
		if day >= s.FromDay && day < s.ToDay {
			return false
		}
	}
	if raining {
		return u > stormBreakRate
	}
	return u < stormBreakRate*c.RainHours/(1-c.RainHours)
}

// wetting moves rain and dew on the leaves. Dew forms on clear, still nights and goes with sun and wind.
func wetting(h *Hour, cover float64) {
	dry := dryStill + drySun*h.Sun + dryWind*h.WindMS
	h.RainWet = min(1, max(0, h.RainWet-dry*(0.3+0.7*h.RainWet))+wetPerMM*h.RainMM)
	switch {
	case h.Sun > 0.02:
		h.Dew = max(0, h.Dew-drySun*h.Sun-dryWind*h.WindMS)
	case h.TempC > 0:
		h.Dew = min(1, h.Dew+dewPerHour*max(0, (1-cover)*max(0, 1-h.WindMS/7)-0.1))
	}
}

// watering moves water in the soil, and snow on it.
func watering(h *Hour) {
	rain := h.RainMM
	if h.TempC < 0 {
		h.SnowMM += rain
		rain = 0
	}
	if melt := min(h.SnowMM, 0.15*max(0, h.TempC)); melt > 0 { // about 4 mm a day per degree, common practice, no source
		h.SnowMM -= melt
		rain += melt
	}
	evap := evapMMPerHour * h.Sun * max(0.1, h.TempC/20) * min(1, 2*h.Soil)
	h.Soil = min(1, max(0, h.Soil+(rain-evap)/soilMM))
	h.DeepSoil += (h.Soil - h.DeepSoil) / deepHours
}

// yearAngle is the day of the year as an angle, turned half a year in the south.
func yearAngle(c Climate, at time.Time) float64 {
	a := 2 * math.Pi * (float64(at.YearDay()) - 1) / 365.25
	if c.LatitudeDeg < 0 {
		a += math.Pi
	}
	return a
}

// seasonC is the mean temperature of the season, warmest in late July.
func seasonC(c Climate, at time.Time) float64 {
	return c.MeanC - c.SeasonC*math.Cos(yearAngle(c, at)-2*math.Pi*22/365.25)
}

// dayShape runs from −1 before sunrise to +1 in mid afternoon.
func dayShape(c Climate, at time.Time) float64 {
	return -math.Cos(2 * math.Pi * (solarHour(c, at) - 3) / 24)
}

func solarHour(c Climate, at time.Time) float64 {
	at = at.UTC()
	return float64(at.Hour()) + float64(at.Minute())/60 + c.LongitudeDeg/15
}

// sunHeight is the sine of the sun's height, 0 by night, from its declination (23.44° at the solstices; the usual
// cosine fit with the December solstice ten days before the new year).
func sunHeight(c Climate, at time.Time) float64 {
	lat := math.Abs(c.LatitudeDeg) * math.Pi / 180
	decl := -23.44 * math.Pi / 180 * math.Cos(yearAngle(c, at)+2*math.Pi*10/365.25)
	hour := 2 * math.Pi * (solarHour(c, at) - 12) / 24
	return max(0, math.Sin(lat)*math.Sin(decl)+math.Cos(lat)*math.Cos(decl)*math.Cos(hour))
}
