package farms

import (
	"fmt"
	"hash/fnv"
	"strconv"
	"strings"
)

// Share is one part of all farms when they are shared out for good among a number of daemons.
type Share struct{ Part, Of int }

// ParseShare reads "3/16": the third of sixteen parts.
func ParseShare(s string) (Share, error) {
	part, of, ok := strings.Cut(s, "/")
	p, err1 := strconv.Atoi(part)
	n, err2 := strconv.Atoi(of)
	if !ok || err1 != nil || err2 != nil || n < 1 || n > 10_000 || p < 1 || p > n {
		return Share{}, fmt.Errorf("%q is not a share: write 3/16 for the third of sixteen", s)
	}
	return Share{p, n}, nil
}

// Has reports whether a farm is in the share. Each farm goes to the part for which the hash of both is highest
// (rendezvous hashing; Thaler and Ravishankar 1998), so that with one daemon more only the farms that go to it move: one
// in Of+1, where a remainder would move nearly all.
func (s Share) Has(farm string) bool {
	return highest(farm, s.Of, func(i int) string { return strconv.Itoa(i + 1) }) == s.Part-1
}

// highest returns which of n names has the highest hash together with a key.
func highest(key string, n int, name func(i int) string) int {
	best, most := 0, uint64(0)
	for i := range n {
		if h := hashOf(key, name(i)); i == 0 || h > most {
			best, most = i, h
		}
	}
	return best
}

// hashOf mixes two strings. FNV alone leaves the high bits alike for names that differ only at the end; the multiplications
// are the finalizer of MurmurHash3 (Appleby, public domain), from memory.
func hashOf(a, b string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(a + "\x00" + b)) // never fails
	x := h.Sum64()
	x ^= x >> 33
	x *= 0xff51afd7ed558ccd
	x ^= x >> 33
	x *= 0xc4ceb9fe1a85ec53
	return x ^ x>>33
}
