package farm

import "testing"

// TestStockMinimums holds our defaults to the published figures on the fence that they stand on, in volts.
func TestStockMinimums(t *testing.T) {
	published := map[string]struct {
		lowest, highest float64
		source          string
	}{
		"cattle": {2000, 3000, "1,600 to 2,000 V: Farm Progress from Ohio State University Extension; over 2,000 V at the point touched: " +
			"De Martino, dos Reis and Dias; 3,000 V: A. Kuipers in Alberta Farm Express"},
		"sheep": {3000, 4500, "3,000 V (netting): Farm Progress from Ohio State University Extension; 4,500 V: A. Kuipers"},
		"goats": {3000, 4500, "3,000 V (netting): Farm Progress from Ohio State University Extension; highest borrowed from sheep"},
		"bears": {5000, 6000, "5,000 V: USDA Forest Service MTDC 9923-2321 (1999); 6,000 V: Quick Tips for Effective Electric Fencing for Bears"},
		// No published figure on the fence was found for these three.
		"horses":  {2000, 3000, "borrowed from cattle"},
		"pigs":    {2000, 3000, "borrowed from cattle"},
		"poultry": {3000, 4500, "borrowed from sheep"},
	}
	if len(StockKinds()) != len(published) || len(stockMinimums) != len(published) {
		t.Fatalf("%d kinds in order and %d with a minimum, want %d", len(StockKinds()), len(stockMinimums), len(published))
	}
	for _, kind := range StockKinds() {
		want := published[kind]
		m, ok := DefaultMinimum(kind)
		if !ok || m.Volts != want.lowest || m.TrainingVolts != want.highest || m.Standing == "" {
			t.Errorf("%s: %+v, want %g V and in training %g V (%s), with their standing", kind, m, want.lowest, want.highest, want.source)
		}
		if v, ok := DefaultMinimumVolts(kind); !ok || v != want.lowest {
			t.Errorf("%s: minimum %g V, want %g V", kind, v, want.lowest)
		}
	}
	if m, ok := DefaultMinimum("llamas"); ok {
		t.Errorf("llamas have a default minimum: %+v", m)
	}
}

func TestNeedVolts(t *testing.T) {
	for _, tt := range []struct {
		name string
		zone Zone
		want float64
	}{
		{"stock that knows the fence", Zone{Stock: "pigs", MinimumVolts: 2500}, 2500},
		{"learning", Zone{Stock: "pigs", MinimumVolts: 3000, Training: true}, 3000},
		{"learning behind a low minimum of the keeper's", Zone{Stock: "pigs", MinimumVolts: 2500, Training: true}, 3000},
		{"learning behind a high minimum of the keeper's", Zone{Stock: "pigs", MinimumVolts: 4000, Training: true}, 4000},
		{"stock without a figure of ours", Zone{Stock: "llamas", MinimumVolts: 2000, Training: true}, 3000},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.zone.NeedVolts(); got != tt.want {
				t.Errorf("needs %g V, want %g V", got, tt.want)
			}
		})
	}
}
