package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Ground is what stands under and around a zone's wires.
type Ground struct {
	WireMM    []float64 // height of each strand, lowest first; default one at 300 mm
	StartMM   float64   // height of the growth at the start
	Vigour    float64   // growth against the sward's in the tables; default drawn, 0.7 to 1.4
	Contact   float64   // leak of growth past the wire against the usual; default drawn, 0.6 to 1.6
	Patchy    float64   // spread of the growth along the zone, as a log-normal sigma; default 0.3, negative for none
	DewShare  float64   // dew here against the open field's; default drawn, 0.5 to 1.3
	OhmsRatio float64   // the wire's true ohms against the farm's; default drawn, 0.94 to 1.06
	DrySiemen float64   // leak of the clean dry fence, siemens per kilometre; default drawn, 1e-5 to 1e-4
	Dirt      float64   // leak of wet insulators against clean ones; default drawn, 1 to 6
	PushesDay float64   // times a day that stock lean on the wire
}

func (g Ground) withDefaults(rng *rand.Rand) Ground {
	or := func(v *float64, lo, hi float64) {
		if u := rng.Float64(); *v == 0 {
			*v = lo + (hi-lo)*u
		}
	}
	or(&g.Vigour, 0.7, 1.4)
	or(&g.Contact, 0.6, 1.6)
	or(&g.DewShare, 0.5, 1.3)
	or(&g.DrySiemen, 1e-5, 1e-4)
	or(&g.OhmsRatio, 0.94, 1.06)
	or(&g.Dirt, 1, 6)
	if g.Patchy == 0 {
		g.Patchy = 0.3
	}
	if len(g.WireMM) == 0 {
		g.WireMM = []float64{300}
	}
	return g
}

// kgPerCM turns dry matter per hectare into height: AHDB beef rotational grazing, 2,000–2,500 kg is 8–12 cm.
const kgPerCM = 125.0

// swardKG is the growth of a grazed sward, kg dry matter per hectare and day, by day of the year.
// AHDB "Monitor your grass growth": March 10 (up to 20); AHDB Forage for Knowledge, 26 May 2017: 92.3 and 100 in late
// May; Irish Farmers Journal on PastureBase, 2023: winter 4, May 75, June 45, about 60 to mid-September; agriland.ie:
// end of March 15–23. Days between are interpolated.
var swardKG = [...][2]float64{
	{1, 4}, {32, 4}, {75, 10}, {90, 19}, {128, 70}, {146, 95}, {158, 65}, {166, 45}, {182, 55}, {196, 60}, {258, 60},
	{305, 12}, {335, 4}, {366, 4},
}

// swardMMPerDay is the height a sward gains in a day of that time of year, with water and ordinary warmth.
func swardMMPerDay(c Climate, at time.Time) float64 {
	d := float64(at.YearDay())
	if c.LatitudeDeg < 0 {
		d = math.Mod(d+182, 365) + 1
	}
	for i := 1; i < len(swardKG); i++ {
		a, b := swardKG[i-1], swardKG[i]
		if d <= b[0] {
			return (a[1] + (b[1]-a[1])*(d-a[0])/(b[0]-a[0])) / kgPerCM * 10
		}
	}
	return swardKG[len(swardKG)-1][1] / kgPerCM * 10
}

const (
	growthFloorC   = 5.0   // growth starts at 5 °C soil: AHDB "Monitor your grass growth"
	growthPerC     = 0.06  // faster or slower per degree off the season; an assumption
	tallestMM      = 700.0 // an ungrazed strip stops about here; common practice, no source
	bladeSpreadMM  = 18.0  // spread of blade tips around the sward's height; an assumption
	siemensPerKMMM = 4e-5  // leak of a kilometre per millimetre of fully wet growth past the wire
	dryLeaf        = 0.4   // a dry leaf's leak against a wet one's
)

// siemensPerKMMM and dryLeaf put growth 25–125 mm past the wire at the 1e-3–5e-3 S/km taken for heavy wet growth and
// a third of that when dry. No measurement without a maker was found: the order of magnitude is one green blade of
// 0.2–0.5 MΩ, 1,000 in parallel a few hundred ohms.

// grow returns the height after one more hour.
func grow(g *Ground, c Climate, at time.Time, h *Hour, mm float64) float64 {
	warm := 1 + growthPerC*(h.MeanC-seasonC(c, at))
	if h.MeanC < growthFloorC {
		warm = max(0, h.MeanC/growthFloorC) * 0.3
	}
	water := min(1, max(0.05, (h.Soil-0.08)/0.3))
	return mm + swardMMPerDay(c, at)/24*g.Vigour*max(0, warm)*water*(1-mm/tallestMM)
}

// pastWire is how much growth stands past a wire, in millimetres of mean sward: nothing well under it, rising
// smoothly as the longest blades arrive, and one for one from there.
func pastWire(heightMM, wireMM float64) float64 {
	x := (heightMM - wireMM) / bladeSpreadMM
	if x > 30 {
		return heightMM - wireMM
	}
	return bladeSpreadMM * math.Log1p(math.Exp(x))
}

// wetness is how wet leaves and wires of a zone are, 0 to 1.
func wetness(g *Ground, h *Hour) float64 { return min(1, h.RainWet+g.DewShare*h.Dew) }

// growthLeak is what growth lets through on one strand, siemens per kilometre.
func growthLeak(g *Ground, h *Hour, heightMM, wireMM float64) float64 {
	wet := dryLeaf + (1-dryLeaf)*wetness(g, h)
	sap := 0.5 + 0.5*min(1, h.Soil/0.4) // parched growth leaks less: Kreager, Ohio State University Extension, 2024
	leak := siemensPerKMMM * g.Contact * pastWire(heightMM, wireMM) * wet * sap
	return leak + snowLeak(h, wireMM)
}

// insulatorSiemens is a kilometre of fence with 100 insulators, in rain: 2.6 MΩ each at worst for glass on brackets
// (The Telegrapher vol. 9 no. 351, 1873), so 26 kΩ·km. Soot and dirt ruin them in rain
// (Pope, Modern Practice of the Electric Telegraph, ch. V).
const insulatorSiemens = 1 / 26e3

// evenLeak is what posts and insulators let through, siemens per kilometre of one strand of n.
func evenLeak(g *Ground, h *Hour, n int) float64 {
	return g.DrySiemen/float64(n) + insulatorSiemens*g.Dirt*wetness(g, h)*wetness(g, h)/float64(n)
}

// snowLeak is wet snow on a low wire: dry snow insulates, wet snow shorts it (Oswald, University of Illinois).
func snowLeak(h *Hour, wireMM float64) float64 {
	depthMM := h.SnowMM * 8 // settled snow holds about an eighth of its depth as water; common practice, no source
	if h.TempC <= 0 || depthMM <= wireMM {
		return 0
	}
	return 2e-3
}
