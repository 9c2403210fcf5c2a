package app

import (
	"sync"
	"time"

	"nightwire/ingest/farm"
)

// kept holds what was worked out for each source for a while: all who look at the page share it.
type kept[T any] struct {
	mu sync.Mutex
	by map[farm.Source]keptOne[T]
}

type keptOne[T any] struct {
	made  time.Time // by the wall clock
	value T
}

// get returns what is kept for a source, made anew when it is older than good.
func (k *kept[T]) get(s farm.Source, good time.Duration, anew func() T) T {
	return k.all([]farm.Source{s}, good, func([]farm.Source) map[farm.Source]T { return map[farm.Source]T{s: anew()} })[s]
}

// all returns what is kept for each source. What is older than good is made anew, for all of those together.
func (k *kept[T]) all(sources []farm.Source, good time.Duration, anew func(old []farm.Source) map[farm.Source]T) map[farm.Source]T {
	k.mu.Lock()
	defer k.mu.Unlock()
	out := make(map[farm.Source]T, len(sources))
	var old []farm.Source
	for _, s := range sources {
		if one, ok := k.by[s]; ok && time.Since(one.made) < good {
			out[s] = one.value
		} else {
			old = append(old, s)
		}
	}
	if len(old) == 0 {
		return out
	}
	if k.by == nil {
		k.by = map[farm.Source]keptOne[T]{}
	}
	made := anew(old)
	for _, s := range old {
		out[s], k.by[s] = made[s], keptOne[T]{time.Now(), made[s]}
	}
	return out
}

// forget lets what is kept for a source be made anew.
func (k *kept[T]) forget(s farm.Source) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.by, s)
}

// keepLeast is how long anything is kept at least by the wall's clock, however fast the watch's runs.
const keepLeast = 2 * time.Second

// keep returns for how long by the wall's clock something stays good that does so for d by the watch's.
func (n *night) keep(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/n.opts.Speed), keepLeast)
}
