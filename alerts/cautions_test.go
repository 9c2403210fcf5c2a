package alerts

import (
	"strings"
	"testing"
)

// TestCautionsAreWhole checks that every caution says what it rests on, and that those which every keeper must see are
// there under the work they belong to.
func TestCautionsAreWhole(t *testing.T) {
	for _, c := range Cautions() {
		if c.Text == "" || c.Standing == "" || len(c.About) == 0 {
			t.Errorf("caution %q rests on %q and is about %v", c.Text, c.Standing, c.About)
		}
	}
	for _, tt := range []struct {
		topic Topic
		says  string
	}{
		{AboutReadings, "never proof that a wire is dead"},
		{AboutReadings, "looking at the stock every day"},
		{AboutWork, "Switch the energizer off before you work"},
		{AboutWork, "thunderstorm"},
		{AboutSupply, "One energizer to a fence"},
		{AboutSupply, "Never put mains straight on a wire"},
		{AboutSupply, "licensed electrician"},
		{AboutEarth, "maker's instructions and local codes"},
		{AboutStock, "looking at the stock every day"},
	} {
		t.Run(string(tt.topic)+" "+tt.says, func(t *testing.T) {
			for _, c := range Cautions(tt.topic) {
				if strings.Contains(c.Text, tt.says) {
					return
				}
			}
			t.Errorf("no caution about %s says %q", tt.topic, tt.says)
		})
	}
}

func TestCautionsByTopic(t *testing.T) {
	if few, all := len(Cautions(AboutEarth)), len(Cautions()); few == 0 || few >= all {
		t.Errorf("%d of %d cautions are about the earth", few, all)
	}
}
