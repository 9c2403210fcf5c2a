package farm

import "cmp"

// StockMinimum is our default for one kind of stock: the lowest voltage on the fence that holds it. It is this
// project's own proposal, not a published standard. Every zone can set its own.
type StockMinimum struct {
	Volts         float64 // the lowest minimum on the fence among the published figures for the group
	TrainingVolts float64 // the highest of them, for animals that are still learning what a fence is
	Standing      string  // what the two rest on
}

const (
	ohio    = `Ohio State University Extension in Farm Progress, "Gauge your electric fence needs"`
	kuipers = `A. Kuipers in Alberta Farm Express, "Making electric fence installation easier"`
)

// stockMinimums has one row for each kind of stock. The group's lowest figure is the top of its range. No government
// or university figure was found for pigs or poultry; horses have one at the animal only (Iowa NRCS), which is less
// than what the fence must carry.
var stockMinimums = map[string]StockMinimum{
	"cattle":  {2000, 3000, ohio + "; in training: " + kuipers},
	"horses":  {2000, 3000, "borrowed from cattle: for horses only a figure at the animal was found"},
	"pigs":    {2000, 3000, "borrowed from cattle: no published figure for pigs was found"},
	"sheep":   {3000, 4500, ohio + " (netting); in training: " + kuipers},
	"goats":   {3000, 4500, ohio + " (netting); in training borrowed from sheep"},
	"poultry": {3000, 4500, "borrowed from sheep netting: no published figure for poultry was found"},
	"bears": {5000, 6000, "USDA Forest Service MTDC 9923-2321 (1999); in training: " +
		`"Quick Tips for Effective Electric Fencing for Bears", issuer not known`},
}

// DefaultMinimum returns our defaults for a kind of stock, and whether we have any.
func DefaultMinimum(stock string) (m StockMinimum, ok bool) {
	m, ok = stockMinimums[stock]
	return m, ok
}

// DefaultMinimumVolts returns our default minimum for a kind of stock that knows the fence, and whether we have one.
func DefaultMinimumVolts(stock string) (volts float64, ok bool) {
	m, ok := stockMinimums[stock]
	return m.Volts, ok
}

// StockKinds returns the kinds of stock that have a default minimum, in order.
func StockKinds() []string {
	return []string{"pigs", "cattle", "horses", "sheep", "goats", "poultry", "bears"}
}

// NeedVolts returns what the zone must carry before stock go into it: its minimum, and in training no less than our
// figure for animals that learn, whatever minimum was given. For stock that we have no figure for it is half as much
// again as the minimum, which is what training asks of pigs, cattle and sheep.
func (z *Zone) NeedVolts() float64 {
	if !z.Training {
		return z.MinimumVolts
	}
	m := stockMinimums[z.Stock]
	return max(z.MinimumVolts, cmp.Or(m.TrainingVolts, 1.5*z.MinimumVolts))
}
