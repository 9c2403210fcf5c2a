package plan

import (
	"fmt"
	"math"
	"strings"
)

// plotWide is how many columns are the plot's own, beside the numbers of its scale.
const plotWide = 72

// plotRows returns how many kilovolts a row of the plot stands for, and how many rows reach up to volts.
func plotRows(volts float64) (kvPerRow float64, rows int) {
	kvPerRow = 0.25
	for volts/1000 > 16*kvPerRow {
		kvPerRow *= 2
	}
	return kvPerRow, 2 * int(math.Ceil(volts/2000/kvPerRow))
}

// plot draws the volts along the way to the weakest point, in letters, so that it prints on anything.
func plot(b *strings.Builder, f *Fence) {
	way := f.Path()
	metres := 0.0
	for _, z := range way {
		metres += z.LengthM
	}
	perRow, high := plotRows(f.Energizer.OpenVolts)
	grid := make([][]byte, high+1)
	for r := range grid {
		grid[r] = []byte(strings.Repeat(" ", plotWide))
	}
	put := func(col int, volts float64, c byte) {
		if row := high - int(math.Round(volts/1000/perRow)); row >= 0 && row <= high {
			grid[row][col] = c
		}
	}
	for col := range plotWide {
		z, share := along(way, metres*float64(col)/(plotWide-1))
		if z.NeedVolts() > 0 {
			put(col, z.NeedVolts(), '-')
		}
		for g := range growths {
			put(col, z.At(g, share), "clh"[g])
		}
	}
	for r, line := range grid {
		label := "    "
		if r%2 == 0 {
			label = fmt.Sprintf("%4.3g", perRow*float64(high-r))
		}
		fmt.Fprintf(b, "%s |%s\n", label, strings.TrimRight(string(line), " "))
	}
	b.WriteString(foot(way, metres))
	b.WriteString("kV along the way to the weakest point: c clean, l light growth, h heavy,\n- what the stock need; + ends of zones\n")
}

// along returns the zone at so many metres along a way, and at what share of it.
func along(way []*Zone, metres float64) (*Zone, float64) {
	for i, z := range way {
		if metres <= z.LengthM || i == len(way)-1 {
			return z, min(metres/z.LengthM, 1)
		}
		metres -= z.LengthM
	}
	return nil, 0 // a way has at least one zone
}

// foot returns the axis with the ends of zones, and below it their names, where there is room, and metres.
func foot(way []*Zone, metres float64) string {
	axis := []rune("     +" + strings.Repeat("-", plotWide))
	names := []rune(strings.Repeat(" ", len(axis)))
	free, at := 0, 0.0
	for _, z := range way {
		at += z.LengthM
		end := 6 + int(math.Round(at/metres*(plotWide-1)))
		axis[end] = '+'
		label := []rune(fmt.Sprintf("%s %.0f m", clip(z.Name), at))
		from := end + 1 - len(label)
		if from > free {
			copy(names[from:], label)
			free = end + 1
		}
	}
	return string(axis) + "\n" + strings.TrimRight(string(names), " ") + "\n"
}
