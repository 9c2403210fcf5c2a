package alerts

import "slices"

// Caution is something a keeper must be told where it matters.
type Caution struct {
	About    []Topic
	Text     string
	Standing string // its source, or what it rests on instead
}

// Topic is a kind of work at the fence that a caution belongs to.
type Topic string

// The topics.
const (
	AboutReadings Topic = "readings" // looking at a voltage, or at an alarm that is over
	AboutWork     Topic = "work"     // mending, trimming, moving
	AboutSupply   Topic = "supply"   // the energizer and what feeds it
	AboutEarth    Topic = "earth"    // stakes and the earth test
	AboutStock    Topic = "stock"    // turning out, and every day after
)

const (
	practice   = "common practice, no source"
	fromMemory = "from memory: "
)

// Cautions returns the cautions on any of the topics, or all of them when none is named.
func Cautions(topics ...Topic) []Caution {
	all := []Caution{
		{[]Topic{AboutReadings, AboutWork}, "A reading is never proof that a wire is dead or safe to touch. Switch the energizer off, then test.", practice},
		{[]Topic{AboutReadings, AboutStock}, "This does not replace looking at the stock every day.", practice},
		{[]Topic{AboutWork}, "Switch the energizer off before you work on the fence, and tell the others that you have.", practice},
		{[]Topic{AboutWork, AboutSupply}, "Disconnect the energizer from its supply and from the fence in a thunderstorm, and stay away from both.", practice},
		{[]Topic{AboutWork, AboutStock}, "The worst accident is to be caught in the wire. Keep head and neck away from it, and look after children and frail people near it.", "Professional Electrician and UL guide information on fence controllers; on head and neck " + fromMemory + "IEC 60335-2-76, Annex BB"},
		{[]Topic{AboutSupply}, "One energizer to a fence, never two.", "NRCS job sheets RI-382(c) and VA-382(c)"},
		{[]Topic{AboutSupply}, "Never put mains straight on a wire. It kills.", "a child killed so in Texas, as reported by jonathanturley.org in 2009"},
		{[]Topic{AboutSupply}, "Keep fences on different energizers at least 2.5 m apart.", fromMemory + "IEC 60335-2-76, Annex BB"},
		{[]Topic{AboutEarth, AboutSupply}, "Keep the energizer's earth stakes at least 10 m from the earth of the house, its power and its telephone.", fromMemory + "IEC 60335-2-76, Annex BB; Farmers Weekly gives 10 to 12 m from buildings"},
		{[]Topic{AboutSupply, AboutEarth}, "For supply and earthing follow the maker's instructions and local codes, and leave mains work to a licensed electrician.", practice},
	}
	if len(topics) == 0 {
		return all
	}
	return slices.DeleteFunc(all, func(c Caution) bool {
		return !slices.ContainsFunc(c.About, func(t Topic) bool { return slices.Contains(topics, t) })
	})
}
