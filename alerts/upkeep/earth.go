package upkeep

import (
	"errors"
	"fmt"

	"nightwire/alerts"
)

// Step is one step of the earth test.
type Step struct {
	Do       string
	Standing string
}

// Steps returns how the earth stakes are tested.
func Steps() []Step {
	const bc = "BC Ministry of Agriculture 382.600-1"
	const beef = "BEEF magazine, Fencing Guide"
	return []Step{
		{"Test at the driest time of the year. A wet day proves nothing.", bc},
		{"Take the fence out of service on the page for an hour, or the short will alarm. See that the stock are safe without it.", "common practice, no source"},
		{"Switch the energizer off.", "common practice, no source"},
		{"At least 100 m from the energizer lay three or four steel posts against the live wire, their feet in the ground.", bc + ": about 300 ft"},
		{"See that nobody is at the wire, switch on, and read the fence. It must be under 2 kV; else add posts, with the energizer off.", beef + "; " + bc + " asks for under 1 kV"},
		{"Measure from the last earth stake to a probe at least 1 m from any stake, 20 cm in the ground. Touch neither.", beef + ": 3 ft, 8 in"},
		{"Switch off, take the posts away, switch on, and read the fence before the stock rely on it.", "common practice, no source"},
		{"Keep both values: on the page under Upkeep, or by nightwire earth-test ENERGIZER --fence-kv 1.4 --stake-v 180", "the stake's volts mean something only beside the fence's"},
	}
}

// The limits of the test, in volts.
const (
	mostFenceVolts = 2000 // BEEF magazine, Fencing Guide
	goodStakeVolts = 200  // the same; none is best
	mostStakeVolts = 300  // widely printed, no primary source reached
)

// ErrTest means that the values are none of a test.
var ErrTest = errors.New("the earth stakes are not tested by that")

// Check refuses values that say nothing of the stakes.
func Check(t alerts.EarthTest) error {
	switch {
	case !(t.FenceVolts > 0) || !(t.StakeVolts >= 0):
		return fmt.Errorf("%w: both voltages are needed\nhint: read the fence under the short, and the stake against a probe", ErrTest)
	case t.FenceVolts >= mostFenceVolts:
		return fmt.Errorf("%w: the fence still had %.1f kV under the short\nhint: add steel posts until it is under 2 kV, then measure again", ErrTest, t.FenceVolts/1000)
	case t.StakeVolts > t.FenceVolts:
		return fmt.Errorf("%w: the stake cannot carry more than the fence\nhint: the stake is measured in volts, the fence in kilovolts", ErrTest)
	}
	return nil
}

// Verdict says what a test means, with the energizer's open volts and own ohms, by which the current under the short is
// reckoned.
func Verdict(t alerts.EarthTest, openVolts, sourceOhms float64) string {
	var text string
	switch {
	case t.StakeVolts <= goodStakeVolts:
		text = fmt.Sprintf("Good: %.0f V on the stakes, up to %d V is well (BEEF magazine, Fencing Guide).", t.StakeVolts, goodStakeVolts)
	case t.StakeVolts <= mostStakeVolts:
		text = fmt.Sprintf("Just: %.0f V on the stakes; over %d V, under the %d V that is widely printed with no primary source. Add a stake before the next dry spell.",
			t.StakeVolts, goodStakeVolts, mostStakeVolts)
	default:
		text = fmt.Sprintf("Poor: %.0f V on the stakes, more than %d V. Look at clamps and lead first, then add stakes at least 3 m apart, and test again.",
			t.StakeVolts, mostStakeVolts)
	}
	if amps := (openVolts - t.FenceVolts) / sourceOhms; amps > 0 {
		text += fmt.Sprintf(" About %.0f ohm, at the %.0f A that the energizer gives with the fence at %.1f kV.", t.StakeVolts/amps, amps, t.FenceVolts/1000)
	}
	return text
}
