package line

import (
	"errors"
	"fmt"
	"math"
)

// Observation is what one sensor says at the moment looked at.
type Observation struct {
	Volts float64 // corrected by the sensor's gain; 0 or less, or NaN, when it said nothing
	SD    float64 // relative standard deviation of Volts
}

// given reports whether the sensor said something that has a logarithm.
func (o Observation) given() bool { return o.Volts > 0 && !math.IsInf(o.Volts, 1) }

// Prior is what is believed before the sensors are heard.
type Prior struct {
	State      State
	LeakSpread float64   // standard deviation of the logarithm of each leakage
	LeakDoubt  []float64 // by zone, the same of what State says of it, on top of LeakSpread; nil for none
	OpenSpread float64   // standard deviation of the logarithm of the open voltage; 0 holds it fixed
	WetSpread  float64   // the same of a factor common to all leakages, as dew and rain are; 0 is none
	Fault      Fault     // taken to be there
}

// WidePrior believes that the fence is roughly as laid out, growth included: each leakage within a factor of 500 or
// so of a clean one.
func (n *Network) WidePrior() Prior { return Prior{State: n.Clean(), LeakSpread: 3} }

// StrungPrior believes that the fence was just strung and has next to nothing growing on it.
func (n *Network) StrungPrior() Prior { return Prior{State: n.Clean(), LeakSpread: 1.2} }

// Estimate is what the sensors together say about the fence.
type Estimate struct {
	State
	LeakSD   []float64 // standard deviation of each leakage, siemens; never less certain data than the sensors gave
	OpenSD   float64   // of the open voltage, volts
	LoadAmps float64   // peak current out of the energizer
	Misfit   float64   // sum of squared, standardised residuals of the sensors
	Worst    float64   // the largest of them
	Strain   float64   // the same of the unknowns about the prior
	Luck     float64   // what share of all that the unknowns might be explains the sensors so, as -2·ln
	Wet      float64   // logarithm of the factor common to all leakages
	WetSD    float64   // standard deviation of Wet
	Sensors  int       // how many were heard
}

// LoadSiemens returns the conductance the energizer sees.
func (e *Estimate) LoadSiemens() float64 {
	v := e.OpenVolts - e.LoadAmps*e.SourceOhms
	if v <= 0 {
		return math.Inf(1)
	}
	return e.LoadAmps / v
}

// Estimator works a network backwards. It keeps scratch between calls and is not safe for use by two goroutines.
type Estimator struct {
	net    *Network
	solver *Solver
	volts  []float64
	moved  []float64
	fit    newtonFit
}

// NewEstimator returns an estimator for net.
func NewEstimator(net *Network) *Estimator {
	sensors, most := len(net.Zones)+1, len(net.Zones)+2 // unknowns at most: each leakage, the open voltage, what is common
	e := &Estimator{net: net, solver: NewSolver(net), volts: make([]float64, sensors), moved: make([]float64, sensors)}
	e.fit = newtonFit{e: e, shift: make([]float64, most), step: make([]float64, most),
		slope: make([]float64, sensors*most), normal: make([]float64, most*most), column: make([]float64, most)}
	e.fit.st.Leak = make([]float64, len(net.Zones))
	return e
}

const (
	estimateSteps = 30   // Newton steps at most; five or six are usual
	settled       = 1e-4 // largest change of a logarithm that still counts as a step
	longestStep   = 2.0  // in the logarithm, so that a poor start does not run away
)

// Estimate returns the likeliest leakages (and, where the prior lets it move, open voltage) given what the sensors
// say: Gauss–Newton on the logarithms, the prior being one more observation of each unknown. Sensors that said
// nothing leave their zone to the prior and its neighbours, with wider bars. obs[0] is the energizer's output and
// obs[i+1] the far end of zone i.
func (e *Estimator) Estimate(obs []Observation, p Prior) (Estimate, error) {
	out, err := e.Weigh(obs, p)
	if err != nil {
		return Estimate{}, err
	}
	out.State, out.LeakSD = out.State.Copy(), make([]float64, len(e.net.Zones))
	for i := range out.LeakSD {
		out.LeakSD[i] = out.Leak[i] * e.fit.sd(i, e.fit.wet)
	}
	return out, nil
}

// Weigh is Estimate without the leakages' bars, to hold one answer against another. Its state is good until the next call.
func (e *Estimator) Weigh(obs []Observation, p Prior) (Estimate, error) {
	n := len(e.net.Zones)
	if len(obs) != n+1 {
		return Estimate{}, fmt.Errorf("%d observations for %d zones and an energizer", len(obs), n)
	}
	f := &e.fit
	f.obs, f.prior, f.unknowns, f.open, f.wet = obs, p, n, -1, -1
	if p.OpenSpread > 0 {
		f.open = f.unknowns
		f.unknowns++
	}
	if p.WetSpread > 0 {
		f.wet = f.unknowns
		f.unknowns++
	}
	clear(f.shift)
	f.apply()
	f.st.OpenVolts, f.st.SourceOhms, f.st.Joints = p.State.OpenVolts, p.State.SourceOhms, p.State.Joints
	if err := f.run(); err != nil {
		return Estimate{}, fmt.Errorf("estimate leakages: %w", err)
	}
	return f.result(), nil
}

// errUndetermined cannot come of a proper prior, which by itself fixes every unknown.
var errUndetermined = errors.New("the readings and the layout do not determine an answer")

// newtonFit is the scratch of one estimate. Matrices are kept row by row, unknowns wide.
type newtonFit struct {
	e        *Estimator
	obs      []Observation
	prior    Prior
	st       State
	unknowns int
	open     int       // which unknown the open voltage is, -1 when it is held
	wet      int       // and the factor common to all leakages
	shift    []float64 // how far each unknown's logarithm has moved from the prior's
	step     []float64
	slope    []float64 // of each sensor's logarithm by each unknown's, over the sensor's standard deviation
	normal   []float64 // the normal matrix, then its Cholesky factor in the lower triangle
	column   []float64
}

func (f *newtonFit) spread(j int) float64 {
	switch j {
	case f.open:
		return f.prior.OpenSpread
	case f.wet:
		return f.prior.WetSpread
	}
	if f.prior.LeakDoubt != nil {
		return math.Hypot(f.prior.LeakSpread, f.prior.LeakDoubt[j])
	}
	return f.prior.LeakSpread
}

func (f *newtonFit) apply() {
	common := 0.0
	if f.wet >= 0 {
		common = f.shift[f.wet]
	}
	for j := range f.e.net.Zones {
		f.st.Leak[j] = f.prior.State.Leak[j] * math.Exp(f.shift[j]+common)
	}
	if f.open >= 0 {
		f.st.OpenVolts = f.prior.State.OpenVolts * math.Exp(f.shift[f.open])
	}
}

func (f *newtonFit) run() error {
	for range estimateSteps {
		f.linearise()
		if !f.factor() {
			return errUndetermined
		}
		f.solve(f.step)
		largest := 0.0
		for j := range f.unknowns {
			d := min(max(f.step[j], -longestStep), longestStep)
			f.shift[j] += d
			largest = math.Max(largest, math.Abs(d))
		}
		f.apply()
		if largest < settled {
			break
		}
	}
	f.linearise()
	if !f.factor() {
		return errUndetermined
	}
	return nil
}

// slopes fills in how each sensor's logarithm goes with each unknown's, over the sensor's standard deviation.
func (f *newtonFit) slopes() {
	e, u := f.e, f.unknowns
	e.solver.Volts(e.volts, f.st, f.prior.Fault)
	for j := range u {
		switch j {
		case f.wet:
			f.addSlopes()
			continue
		case f.open:
			copy(e.moved, e.volts) // a circuit of ohms alone: everything goes with it
		default:
			e.solver.Slopes(e.moved, j)
		}
		for i, o := range f.obs {
			f.slope[i*u+j] = 0
			if o.given() {
				f.slope[i*u+j] = e.moved[i] / e.volts[i] / o.SD
			}
		}
	}
}

// addSlopes fills in the slopes by what is common to all leakages.
func (f *newtonFit) addSlopes() {
	u := f.unknowns
	for i := range f.obs {
		sum := 0.0
		for j := range f.e.net.Zones {
			sum += f.slope[i*u+j]
		}
		f.slope[i*u+f.wet] = sum
	}
}

// linearise fills the normal equations at the present state; the right-hand side goes into step.
func (f *newtonFit) linearise() {
	e, u := f.e, f.unknowns
	f.slopes()
	for j := range u {
		w := 1 / (f.spread(j) * f.spread(j))
		f.step[j] = -f.shift[j] * w
		for k := range j + 1 {
			sum := 0.0
			for i := range f.obs {
				sum += f.slope[i*u+j] * f.slope[i*u+k]
			}
			f.normal[j*u+k] = sum
		}
		f.normal[j*u+j] += w
	}
	for i, o := range f.obs {
		if o.given() {
			off := math.Log(o.Volts/e.volts[i]) / o.SD
			for j := range u {
				f.step[j] += f.slope[i*u+j] * off
			}
		}
	}
}

// factor replaces the normal matrix by its Cholesky factor.
func (f *newtonFit) factor() bool {
	u, a := f.unknowns, f.normal
	for j := range u {
		for k := range j + 1 {
			sum := a[j*u+k]
			for m := range k {
				sum -= a[j*u+m] * a[k*u+m]
			}
			switch {
			case k < j:
				a[j*u+k] = sum / a[k*u+k]
			case sum <= 0 || math.IsNaN(sum):
				return false
			default:
				a[j*u+j] = math.Sqrt(sum)
			}
		}
	}
	return true
}

// solve replaces x by the solution of the normal equations with right-hand side x.
func (f *newtonFit) solve(x []float64) {
	u, a := f.unknowns, f.normal
	for j := range u {
		for k := range j {
			x[j] -= a[j*u+k] * x[k]
		}
		x[j] /= a[j*u+j]
	}
	for j := u - 1; j >= 0; j-- {
		for k := j + 1; k < u; k++ {
			x[j] -= a[k*u+j] * x[k]
		}
		x[j] /= a[j*u+j]
	}
}

// sd returns the standard deviation of the logarithm of unknown j, together with that of unknown with where that is one.
func (f *newtonFit) sd(j, with int) float64 {
	clear(f.column)
	f.column[j] = 1
	if with >= 0 {
		f.column[with] = 1
	}
	f.solve(f.column)
	if with >= 0 {
		return math.Sqrt(f.column[j] + f.column[with])
	}
	return math.Sqrt(f.column[j])
}

func (f *newtonFit) result() Estimate {
	out := Estimate{State: f.st}
	if f.open >= 0 {
		out.OpenSD = f.st.OpenVolts * f.sd(f.open, -1)
	}
	if f.wet >= 0 {
		out.Wet, out.WetSD = f.shift[f.wet], f.sd(f.wet, -1)
	}
	for j := range f.unknowns {
		r := f.shift[j] / f.spread(j)
		out.Strain += r * r
		out.Luck += 2 * math.Log(f.spread(j)*f.normal[j*f.unknowns+j])
	}
	out.LoadAmps = (f.st.OpenVolts - f.e.volts[0]) / math.Max(f.st.SourceOhms, minOhms)
	for i, o := range f.obs {
		if o.given() {
			r := math.Log(o.Volts/f.e.volts[i]) / o.SD
			out.Misfit += r * r
			out.Worst = math.Max(out.Worst, r*r)
			out.Sensors++
		}
	}
	return out
}

// GainSpread is how far the gains of cheap sensors lie apart: the standard deviation of their logarithm. Common
// practice, no source.
const GainSpread = 0.05

// LearnGains returns each sensor's gain (what it shows over what is there) and the state of the fence, from readings
// taken while the fence is as strung. What the sensors cannot tell from leakage is taken as gain unless it is more
// than gains usually are. A sensor that said nothing gets a gain of 1.
func (e *Estimator) LearnGains(obs []Observation) (gains []float64, est Estimate, err error) {
	loose := make([]Observation, len(obs))
	for i, o := range obs {
		loose[i] = Observation{Volts: o.Volts, SD: math.Hypot(o.SD, GainSpread)}
	}
	est, err = e.Estimate(loose, e.net.StrungPrior())
	if err != nil {
		return nil, Estimate{}, fmt.Errorf("learn gains: %w", err)
	}
	gains = make([]float64, len(obs))
	e.solver.Volts(e.volts, est.State, Fault{})
	for i, o := range obs {
		gains[i] = 1
		if o.given() {
			gains[i] = o.Volts / e.volts[i]
		}
	}
	return gains, est, nil
}
