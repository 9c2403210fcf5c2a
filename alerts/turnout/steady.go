package turnout

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

const (
	steadyFor    = 10 * time.Minute
	windowCount  = 7   // reports that the window holds at least
	leastSamples = 5   // of them that must have come: two in seven may be lost
	covered      = 0.6 // of the window must lie between the first reading and now, or it is too early to tell
)

// Window returns over how long a sensor's readings are looked at: ten minutes, or seven reports where those take longer.
func Window(s farm.Sensor) time.Duration { return max(steadyFor, windowCount*every(s)) }

// What still counts as steady, in a sensor's own noise. That is told from the differences of neighbouring readings,
// which a drift hardly touches, and taken as no less than an unknown sensor's: 1.5 %.
const (
	leastNoise = 0.015 // common practice, no source
	mostNoise  = 0.04  // more is a contact that comes and goes
	mostDip    = 0.12  // the fall that the detectors look into
	dipNoises  = 6
	driftNoise = 3
)

// spread is what a sensor's readings do over the window, each as a share of their median.
type spread struct {
	Level             float64 // volts
	Noise, Dip, Drift float64
	Scatter           float64 // by the median absolute deviation
}

func spreadOf(v []float64) spread {
	s := spread{Level: medianOf(v)}
	if s.Level <= 0 {
		return s
	}
	var steps, off []float64
	for i := range v {
		off = append(off, math.Abs(v[i]-s.Level))
		if i > 0 {
			steps = append(steps, math.Abs(v[i]-v[i-1]))
		}
	}
	const normal = 1.4826 // of a normal spread, the standard deviation over the median absolute deviation
	s.Scatter = normal * medianOf(off) / s.Level
	s.Noise = max(leastNoise, normal*medianOf(steps)/math.Sqrt2/s.Level)
	s.Dip = 1 - slices.Min(v)/s.Level
	half := len(v) / 2
	s.Drift = (medianOf(v[len(v)-half:]) - medianOf(v[:half])) / s.Level
	return s
}

// steady looks at whether a zone has held its voltage over the window.
func (d *decision) steady(z *farm.Zone) {
	samples, window := d.in.Samples[z.Source()], Window(z.Sensor)
	first := d.in.Now.Sub(samples[0].At)
	if len(samples) < leastSamples || float64(first) < covered*float64(window) {
		d.add(z.Name, Steady, false, "only %d readings in the last %s: wait, and ask again", len(samples), span(window))
		return
	}
	s := spreadOf(values(samples))
	switch {
	case s.Level <= 0:
		d.add(z.Name, Steady, false, "it carries nothing")
	case s.Noise > mostNoise || s.Scatter > 2*mostNoise:
		d.add(z.Name, Steady, false, "its readings scatter by %s, and %s is much: look for a contact that comes and goes", percent(max(s.Noise, s.Scatter)), percent(mostNoise))
	case s.Dip > min(mostDip, dipNoises*s.Noise):
		d.add(z.Name, Steady, false, "it dipped by %s within the last %s: look for what touches", percent(s.Dip), span(window))
	case math.Abs(s.Drift) > driftNoise*s.Noise:
		way := "rose"
		if s.Drift < 0 {
			way = "fell"
		}
		d.add(z.Name, Steady, false, "it %s by %s within the last %s: wait until it holds", way, percent(math.Abs(s.Drift)), span(window))
	default:
		d.add(z.Name, Steady, true, "steady for %s: scatter %s, deepest dip %s", span(window), percent(s.Scatter), percent(max(s.Dip, 0)))
	}
}

const (
	// mostLeakPerKM is the leakage of a fence with growth on it, siemens: the heavier end of what counts as light, a
	// guess of ours. A fence just strung has a twentieth.
	mostLeakPerKM = 1e-3
	sure          = 2 // standard deviations that the leakage must lie over it
	farOff        = 3 // standard deviations between a reading and the layout
)

// layout looks at whether the zones carry what their layout should give: the readings of all sensors of the energizer
// are worked backwards to the leakage of each zone, and what no leakage explains is left over.
func (d *decision) layout(e *farm.Energizer, zones []*farm.Zone, heard map[string]bool) {
	net, err := line.New(d.in.Farm, e.Name)
	if err != nil {
		d.add(e.Name, Layout, false, "its fence cannot be worked out: %v", err)
		return
	}
	obs := make([]line.Observation, len(net.Zones)+1)
	see := func(i int, s farm.Source) {
		if v := medianOf(values(d.in.Samples[s])); v > 0 {
			obs[i] = line.Observation{Volts: v, SD: line.GainSpread}
		}
	}
	see(0, e.Source())
	for i, z := range net.Zones {
		see(i+1, z.Source())
	}
	est, err := line.NewEstimator(net).Estimate(obs, net.WidePrior())
	if err != nil {
		d.add(e.Name, Layout, false, "its fence cannot be worked out: %v", err)
		return
	}
	solver := line.NewSolver(net)
	clean := solver.Volts(make([]float64, len(obs)), net.Clean(), line.Fault{})
	fitted := solver.Volts(make([]float64, len(obs)), est.State, line.Fault{})
	for i, z := range net.Zones {
		if !slices.Contains(zones, z.Zone) || !heard[z.Name] || obs[i+1].Volts <= 0 {
			continue
		}
		km := max(z.LengthM, 1) / 1000
		leak, least := est.Leak[i]/km, (est.Leak[i]-sure*est.LeakSD[i])/km
		off := math.Log(obs[i+1].Volts/fitted[i+1]) / line.GainSpread
		reads := fmt.Sprintf("reads %s kV where its layout gives %s kV clean", reading(obs[i+1].Volts), reading(clean[i+1]))
		switch {
		case off > farOff:
			d.add(z.Name, Layout, false, "%s, more than it can: look at its sensor, and at open_kv in the farm file", reads)
		case off < -farOff:
			d.add(z.Name, Layout, false, "%s, and the other sensors do not bear it out: look for a bad joint, and at its sensor", reads)
		case least > mostLeakPerKM:
			d.add(z.Name, Layout, false, "%s, as if it leaked %.1f mS a kilometre: look for what touches, a bad joint, or wrong lengths in the farm file", reads, leak*1000)
		default:
			d.add(z.Name, Layout, true, "%s", reads)
		}
	}
}

func values(samples []Sample) []float64 {
	out := make([]float64, len(samples))
	for i, s := range samples {
		out[i] = s.Volts
	}
	return out
}

// medianOf returns the median of v, or 0 of nothing.
func medianOf(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(v))
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}

// reading writes measured volts as kilovolts, with the digits that mean something on a fence.
func reading(volts float64) string { return strconv.FormatFloat(volts/1000, 'f', 1, 64) }

// kv writes a limit as kilovolts; one of a quarter more needs two digits now and then.
func kv(volts float64) string {
	return strconv.FormatFloat(math.Round(volts/10)/100, 'f', -1, 64)
}

func percent(share float64) string { return strconv.FormatFloat(share*100, 'f', 1, 64) + " %" }

// span writes a length of time in the two largest units that matter.
func span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return strconv.FormatFloat(max(d.Seconds(), 0), 'g', 2, 64) + " s"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}
