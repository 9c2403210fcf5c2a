package rolling

import (
	"math"
	"math/bits"
	"slices"
)

// atRank returns the value at a rank of xs, counting from 1, interpolated between neighbours and held to 1..len(xs).
// It reorders xs.
func atRank(xs []float64, rank float64) float64 {
	rank = min(max(rank, 1), float64(len(xs)))
	whole := int(rank)
	x := nth(xs, whole-1)
	if part := rank - float64(whole); part > 0 {
		x += part * (slices.Min(xs[whole:]) - x)
	}
	return x
}

// nth returns the n-th smallest of xs, counting from 0, and leaves lesser values before it and greater ones after it.
// It is Hoare's quickselect; a run of bad pivots ends in a sort of what is left, so the worst case is n log n.
func nth(xs []float64, n int) float64 {
	lo, hi := 0, len(xs)-1
	for tries := 2 * bits.Len(uint(len(xs))); lo < hi; tries-- {
		if tries == 0 {
			slices.Sort(xs[lo : hi+1])
			break
		}
		pivot := median3(xs[lo], xs[lo+(hi-lo)/2], xs[hi])
		i, j := lo, hi
		for i <= j {
			for xs[i] < pivot {
				i++
			}
			for xs[j] > pivot {
				j--
			}
			if i <= j {
				xs[i], xs[j] = xs[j], xs[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			hi = j
		case n >= i:
			lo = i
		default:
			return xs[n]
		}
	}
	return xs[n]
}

func median3(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}
