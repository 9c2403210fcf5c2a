package rolling

import "math"

// Kendall is the outcome of a Mann–Kendall test for a monotonic trend.
type Kendall struct {
	N   int     // values
	S   int     // pairs that rise minus pairs that fall
	Var float64 // variance of S if there were no trend, corrected for ties
}

// Z returns S as a standard normal score with continuity correction, 0 if S is 0. The approximation is good from ten
// values on (Mann 1945, Kendall 1975); with fewer, Z understates how sure one may be.
func (k Kendall) Z() float64 {
	switch {
	case k.S > 0:
		return float64(k.S-1) / math.Sqrt(k.Var)
	case k.S < 0:
		return float64(k.S+1) / math.Sqrt(k.Var)
	}
	return 0
}

// Tau returns Kendall's tau-a: S as a share of all pairs. It is NaN for fewer than two values.
func (k Kendall) Tau() float64 {
	return float64(k.S) / (float64(k.N) * float64(k.N-1) / 2)
}

// MannKendall keeps the test statistic of the last values up to date. A value that joins rises from all lesser ones
// and falls from all greater; one that leaves takes the same pairs away.
type MannKendall struct {
	window Window
	s      int
	ties   int64 // sum of spread(t) over groups of t equal values
}

// NewMannKendall returns a test over the last size values.
func NewMannKendall(size int) *MannKendall {
	return &MannKendall{window: *NewWindow(size)}
}

// Add takes in the next value in time order, and drops the oldest if the window is full. NaN and the infinities are
// not taken.
func (m *MannKendall) Add(y float64) {
	if !finite(y) {
		return
	}
	if m.window.Full() {
		m.Drop()
	}
	less, equal, greater := m.rank(y)
	m.s += less - greater
	m.ties += spread(equal+1) - spread(equal)
	m.window.Add(y)
}

// Drop forgets the oldest value, if there is one.
func (m *MannKendall) Drop() {
	if m.window.Len() == 0 {
		return
	}
	less, equal, greater := m.rank(m.window.Values()[0])
	m.s -= greater - less
	m.ties += spread(equal-1) - spread(equal)
	m.window.Drop()
}

// Reset forgets all values.
func (m *MannKendall) Reset() {
	m.window.Reset()
	m.s, m.ties = 0, 0
}

// Test returns the outcome for the values held.
func (m *MannKendall) Test() Kendall {
	n := m.window.Len()
	return Kendall{N: n, S: m.s, Var: float64(spread(n)-m.ties) / 18}
}

func (m *MannKendall) rank(y float64) (less, equal, greater int) {
	less = below(m.window.sorted, y)
	notGreater := upTo(m.window.sorted, y)
	return less, notGreater - less, m.window.Len() - notGreater
}

// spread is 18 times the variance that t values in random order give S, and that t equal ones take from it. On 32-bit
// boards an int would overflow at 1,024 values.
func spread(t int) int64 {
	n := int64(t)
	return n * (n - 1) * (2*n + 5)
}
