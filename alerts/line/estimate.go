package line

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
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
	LeakSpread float64 // standard deviation of the logarithm of each leakage
	OpenSpread float64 // standard deviation of the logarithm of the open voltage; 0 holds it fixed
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
	bumped []float64
}

// NewEstimator returns an estimator for net.
func NewEstimator(net *Network) *Estimator {
	return &Estimator{net: net, solver: NewSolver(net), volts: make([]float64, len(net.Zones)+1), bumped: make([]float64, len(net.Zones)+1)}
}

const (
	estimateSteps = 30   // Newton steps at most; five or six are usual
	settled       = 1e-7 // largest change of a logarithm that still counts as a step
	bump          = 1e-4 // for the numerical derivative, in the logarithm
	longestStep   = 2.0  // in the logarithm, so that a poor start does not run away
)

// Estimate returns the likeliest leakages (and, where the prior lets it move, open voltage) given what the sensors
// say: Gauss–Newton on the logarithms, the prior being one more observation of each unknown. Sensors that said
// nothing leave their zone to the prior and its neighbours, with wider bars. obs[0] is the energizer's output and
// obs[i+1] the far end of zone i.
func (e *Estimator) Estimate(obs []Observation, p Prior) (Estimate, error) {
	n := len(e.net.Zones)
	if len(obs) != n+1 {
		return Estimate{}, fmt.Errorf("%d observations for %d zones and an energizer", len(obs), n)
	}
	unknowns := n
	if p.OpenSpread > 0 {
		unknowns++
	}
	fit := newtonFit{e: e, obs: obs, prior: p, st: p.State.Copy(), shift: make([]float64, unknowns)}
	if err := fit.run(); err != nil {
		return Estimate{}, fmt.Errorf("estimate leakages: %w", err)
	}
	return fit.result()
}

type newtonFit struct {
	e     *Estimator
	obs   []Observation
	prior Prior
	st    State
	shift []float64 // how far each unknown's logarithm has moved from the prior's
	chol  mat.Cholesky
}

func (f *newtonFit) spread(j int) float64 {
	if j < len(f.e.net.Zones) {
		return f.prior.LeakSpread
	}
	return f.prior.OpenSpread
}

func (f *newtonFit) apply() {
	for j := range f.shift {
		if j < len(f.e.net.Zones) {
			f.st.Leak[j] = f.prior.State.Leak[j] * math.Exp(f.shift[j])
		} else {
			f.st.OpenVolts = f.prior.State.OpenVolts * math.Exp(f.shift[j])
		}
	}
}

func (f *newtonFit) run() error {
	u := len(f.shift)
	jac := mat.NewDense(len(f.obs), u, nil)
	normal := mat.NewSymDense(u, nil)
	rhs, step := mat.NewVecDense(u, nil), mat.NewVecDense(u, nil)
	for range estimateSteps {
		f.linearise(jac, normal, rhs)
		if !f.chol.Factorize(normal) {
			return fmt.Errorf("the readings and the layout do not determine an answer")
		}
		if err := f.chol.SolveVecTo(step, rhs); err != nil {
			return fmt.Errorf("solve for a step: %w", err)
		}
		largest := 0.0
		for j := range u {
			d := min(max(step.AtVec(j), -longestStep), longestStep)
			f.shift[j] += d
			largest = math.Max(largest, math.Abs(d))
		}
		f.apply()
		if largest < settled {
			break
		}
	}
	f.linearise(jac, normal, rhs)
	if !f.chol.Factorize(normal) {
		return fmt.Errorf("the readings and the layout do not determine an answer")
	}
	return nil
}

// linearise fills the normal equations at the present state.
func (f *newtonFit) linearise(jac *mat.Dense, normal *mat.SymDense, rhs *mat.VecDense) {
	e := f.e
	e.solver.Volts(e.volts, f.st, Fault{})
	for j := range f.shift {
		st := f.st
		if j < len(e.net.Zones) {
			keep := st.Leak[j]
			st.Leak[j] = keep * math.Exp(bump)
			e.solver.Volts(e.bumped, st, Fault{})
			st.Leak[j] = keep
		} else {
			st.OpenVolts *= math.Exp(bump)
			e.solver.Volts(e.bumped, st, Fault{})
		}
		for i, o := range f.obs {
			d := 0.0
			if o.given() {
				d = (math.Log(e.bumped[i]) - math.Log(e.volts[i])) / bump / o.SD
			}
			jac.Set(i, j, d)
		}
	}
	for j := range f.shift {
		w := 1 / (f.spread(j) * f.spread(j))
		g := -f.shift[j] * w
		for i, o := range f.obs {
			if o.given() {
				g += jac.At(i, j) * (math.Log(o.Volts) - math.Log(e.volts[i])) / o.SD
			}
		}
		rhs.SetVec(j, g)
		for k := j; k < len(f.shift); k++ {
			sum := 0.0
			for i := range f.obs {
				sum += jac.At(i, j) * jac.At(i, k)
			}
			if j == k {
				sum += w
			}
			normal.SetSym(j, k, sum)
		}
	}
}

func (f *newtonFit) result() (Estimate, error) {
	n := len(f.e.net.Zones)
	var cov mat.SymDense
	if err := f.chol.InverseTo(&cov); err != nil {
		return Estimate{}, fmt.Errorf("estimate leakages: error bars: %w", err)
	}
	out := Estimate{State: f.st, LeakSD: make([]float64, n)}
	for i := range n {
		out.LeakSD[i] = f.st.Leak[i] * math.Sqrt(cov.At(i, i))
	}
	if len(f.shift) > n {
		out.OpenSD = f.st.OpenVolts * math.Sqrt(cov.At(n, n))
	}
	out.LoadAmps = (f.st.OpenVolts - f.e.volts[0]) / math.Max(f.st.SourceOhms, minOhms)
	for i, o := range f.obs {
		if o.given() {
			r := (math.Log(o.Volts) - math.Log(f.e.volts[i])) / o.SD
			out.Misfit += r * r
			out.Sensors++
		}
	}
	return out, nil
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
