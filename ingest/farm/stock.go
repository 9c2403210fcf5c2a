package farm

// Stock minimums are this project's own proposal, not a published standard: the lowest voltage on the fence below
// which each kind of stock is not held, taken as the "act now" limit from the published figures for that group.
// Cattle and horses: Ohio State University Extension in Farm Progress ("Gauge your electric fence needs") and De
// Martino, dos Reis and Dias, "An Electric Fence Energizer Design Method"; sheep and goats: the same Farm Progress
// page (netting); bears: USDA Forest Service MTDC 9923-2321. No government or university figure was found for pigs
// or poultry: both are borrowed. Every zone can set its own.
var stockMinimumVolts = map[string]float64{
	"pigs":    2000,
	"cattle":  2000,
	"horses":  2000,
	"sheep":   3000,
	"goats":   3000,
	"poultry": 3000,
	"bears":   5000,
}

// DefaultMinimumVolts returns our default minimum for a kind of stock, and whether we have one.
func DefaultMinimumVolts(stock string) (volts float64, ok bool) {
	volts, ok = stockMinimumVolts[stock]
	return volts, ok
}

// StockKinds returns the kinds of stock that have a default minimum, in order.
func StockKinds() []string {
	return []string{"pigs", "cattle", "horses", "sheep", "goats", "poultry", "bears"}
}
