// Package plan works out what a fence will carry before it is strung: the volts of every zone clean and grown over, its
// weakest point, what would help there, and the earth stakes it wants. It is pure: a layout goes in, figures come out.
package plan

import (
	"fmt"
	"math"
	"slices"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// Growth is one amount of growth on the wire.
type Growth struct {
	Name      string
	LeakPerKM float64 // siemens
}

// The growths that a plan is made for, in the order of Growths.
const (
	Clean = iota
	Light
	Heavy
	growths
)

// Growths returns the growths that a plan is made for. No measurement of the leakage of growth was found: light and
// heavy are the heavier ends of bands guessed from the resistance of a green blade and one farm's 3 kΩ (F. Bell, EDN
// 2013), and may be ten times out either way.
func Growths() [growths]Growth {
	return [growths]Growth{{"clean", line.CleanLeakPerKM}, {"light", 1e-3}, {"heavy", 5e-3}}
}

// AnimalOhms is an animal touching the wire, at its worst: 500 Ω with its contact (C. Dalton, "Electric power fencing –
// glossary", 2016; for cows also Reinemann, Univ. Wisconsin). One that stands dry takes far less.
const AnimalOhms = 500

// Fence is the plan of what one energizer feeds.
type Fence struct {
	Energizer farm.Energizer
	Zones     []Zone // each after the zone that feeds it
	Weakest   Point  // with light growth
	Helps     []Help // the first is the fence as it is
}

// Zone is the plan of one zone.
type Zone struct {
	*farm.Zone
	Volts [growths]float64 // at its weakest place, by growth
	ends  [growths][2]float64
}

// Point is a place on the fence.
type Point struct {
	Zone string
	AtM  float64 // from the zone's start
}

// Help is a change and what it gives at the weakest point.
type Help struct {
	Change       string
	Light, Heavy float64 // volts
	Animal       float64 // volts that stay on the wire with light growth and an animal touching it there
}

// Options says what to plan.
type Options struct {
	Farm   *farm.Farm
	Lines  int // how many lines of wire the fence has, for one more; 0 counts as 1
	Stakes int // how many earth stakes there are, for one more; 0 counts as 1
}

// New returns the plan of each energizer's fence that feeds a zone.
func New(opts Options) ([]Fence, error) {
	var out []Fence
	for i := range opts.Farm.Energizers {
		e := &opts.Farm.Energizers[i]
		if len(opts.Farm.Feeding(e.Name)) == 0 {
			continue
		}
		f, err := newFence(opts, e)
		if err != nil {
			return nil, fmt.Errorf("plan the fence of %s: %w", e.Name, err)
		}
		out = append(out, f)
	}
	return out, nil
}

func newFence(opts Options, e *farm.Energizer) (Fence, error) {
	net, err := line.New(opts.Farm, e.Name)
	if err != nil {
		return Fence{}, err
	}
	f := Fence{Energizer: *e}
	for _, z := range net.Zones {
		f.Zones = append(f.Zones, Zone{Zone: z.Zone})
	}
	least := math.Inf(1)
	for g, growth := range Growths() {
		st := grown(net, growth.LeakPerKM)
		volts := solve(net, st, line.Fault{})
		for i := range f.Zones {
			z := &f.Zones[i]
			z.ends[g] = ends(net, volts, i)
			low, at := lowest(net, st, i, z.ends[g])
			z.Volts[g] = low
			if share := low / math.Max(z.NeedVolts(), 1); g == Light && share < least {
				least, f.Weakest = share, Point{z.Name, at}
			}
		}
	}
	f.Helps, err = helps(opts, f)
	return f, err
}

// grown returns the state of the fence with the same leakage on every kilometre.
func grown(net *line.Network, leakPerKM float64) line.State {
	st := line.State{OpenVolts: net.OpenVolts, SourceOhms: net.SourceOhms, Leak: make([]float64, len(net.Zones))}
	for i, z := range net.Zones {
		st.Leak[i] = leakPerKM * z.LengthM / 1000
	}
	return st
}

func solve(net *line.Network, st line.State, f line.Fault) []float64 {
	return line.NewSolver(net).Volts(make([]float64, len(net.Zones)+1), st, f)
}

// ends returns the volts at the start and the far end of zone i.
func ends(net *line.Network, volts []float64, i int) [2]float64 {
	return [2]float64{volts[net.Zones[i].Parent+1], volts[i+1]}
}

// steps is into how many parts a zone is cut to look along it.
const steps = 40

// lowest returns the least volts along zone i and how far from its start they are. On a tree that is its far end; on a
// loop, fed from both sides, it may be anywhere.
func lowest(net *line.Network, st line.State, i int, ends [2]float64) (volts, atM float64) {
	z := &net.Zones[i]
	volts = math.Inf(1)
	for k := range steps + 1 {
		share := float64(k) / steps
		if v := between(ends, z.Ohms*st.Leak[i], share); v < volts-1e-9 {
			volts, atM = v, share*z.LengthM
		}
	}
	return volts, atM
}

// between returns the volts at a share of the way along an evenly leaking line of which the volts at both ends are
// known, and the ohms times the siemens of the whole.
func between(ends [2]float64, x2, share float64) float64 {
	x := math.Sqrt(x2)
	if x < 1e-6 {
		return ends[0] + (ends[1]-ends[0])*share
	}
	return (ends[0]*math.Sinh(x*(1-share)) + ends[1]*math.Sinh(x*share)) / math.Sinh(x)
}

// Path returns the zones from the energizer to the weakest point, outward.
func (f *Fence) Path() []*Zone {
	var out []*Zone
	for name := f.Weakest.Zone; ; {
		i := slices.IndexFunc(f.Zones, func(z Zone) bool { return z.Name == name })
		if i < 0 {
			slices.Reverse(out)
			return out
		}
		out = append(out, &f.Zones[i])
		name = f.Zones[i].FedBy
	}
}

// At returns the volts at a share of the way along the zone.
func (z *Zone) At(growth int, share float64) float64 {
	km := z.LengthM / 1000
	return between(z.ends[growth], z.Ohms()*Growths()[growth].LeakPerKM*km, share)
}

// Weak returns the zones that a growth pulls under what they need.
func (f *Fence) Weak(growth int) []string {
	var out []string
	for i := range f.Zones {
		if z := &f.Zones[i]; z.Volts[growth] < z.NeedVolts() {
			out = append(out, z.Name)
		}
	}
	return out
}
