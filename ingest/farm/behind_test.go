package farm

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestStockBehind(t *testing.T) {
	f := &Farm{
		Energizers: []Energizer{{Name: "cartshed"}, {Name: "mill"}},
		Zones: []Zone{
			{Name: "brook", FedBy: "cartshed"},
			{Name: "hazel", FedBy: "brook", Stock: "pigs"},
			{Name: "lane", FedBy: "hazel", Stock: "sheep", JoinedTo: "oak"},
			{Name: "oak", FedBy: "cartshed"},
			{Name: "race", FedBy: "mill", Stock: "pigs"},
		},
	}
	for _, tt := range []struct {
		name string
		at   Source
		want []string
	}{
		{"its own, and who meets it", "zone/hazel", []string{"pigs", "sheep"}},
		{"none of its own, but next to pigs", "zone/brook", []string{"pigs"}},
		{"met by a loop's end", "zone/oak", []string{"sheep"}},
		{"on another fence", "zone/race", []string{"pigs"}},
		{"all that an energizer feeds", "energizer/cartshed", []string{"pigs", "sheep"}},
		{"nothing there", "zone/nowhere", nil},
		{"the whole farm is no fence", Site, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, f.StockBehind(tt.at)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
