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
	k.mu.Lock()
	defer k.mu.Unlock()
	one, ok := k.by[s]
	if !ok || time.Since(one.made) >= good {
		if k.by == nil {
			k.by = map[farm.Source]keptOne[T]{}
		}
		one = keptOne[T]{time.Now(), anew()}
		k.by[s] = one
	}
	return one.value
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
