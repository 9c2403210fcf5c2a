package farms

import (
	"fmt"
	"testing"
)

func TestParseShare(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		want       Share
		ok         bool
	}{
		{"a part", "3/16", Share{3, 16}, true}, {"all", "1/1", Share{1, 1}, true}, {"none", "0/4", Share{}, false},
		{"too far", "5/4", Share{}, false}, {"words", "a/b", Share{}, false}, {"no slash", "3", Share{}, false}, {"empty", "", Share{}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseShare(tt.text)
			if got != tt.want || (err == nil) != tt.ok {
				t.Errorf("got %v, %v; want %v", got, err, tt.want)
			}
		})
	}
}

// TestSharesAreWholeEvenAndStay deals 10,000 farms: each to exactly one part, all parts alike within a fifth, and with
// one part more only its own farms move.
func TestSharesAreWholeEvenAndStay(t *testing.T) {
	const farms = 10_000
	owner := func(name string, of int) (part int) {
		for p := 1; p <= of; p++ {
			if (Share{p, of}).Has(name) {
				if part != 0 {
					t.Fatalf("%s is in parts %d and %d of %d", name, part, p, of)
				}
				part = p
			}
		}
		if part == 0 {
			t.Fatalf("%s is in no part of %d", name, of)
		}
		return part
	}
	for _, of := range []int{1, 3, 16} {
		count, moved := map[int]int{}, 0
		for i := range farms {
			name := fmt.Sprintf("farm-%d", i)
			p := owner(name, of)
			count[p]++
			if next := owner(name, of+1); next != p {
				moved++
				if next != of+1 {
					t.Fatalf("%s moved from part %d to %d, which was there before", name, p, next)
				}
			}
		}
		for p, n := range count {
			if mean := farms / of; n < mean*4/5 || n > mean*6/5 {
				t.Errorf("part %d of %d has %d farms, want about %d", p, of, n, mean)
			}
		}
		if want := farms / (of + 1); moved < want*4/5 || moved > want*6/5 {
			t.Errorf("with one part more than %d, %d farms moved, want about %d", of, moved, want)
		}
	}
}
