package app

import (
	"maps"
	"slices"
	"strings"
	"sync"
)

// troubles are what is wrong with the watch itself, for the page and the probes: one of each kind.
type troubles struct {
	mu sync.Mutex
	by map[string]error
}

// The kinds of trouble.
const (
	troubleStore     = "store"
	troubleJournal   = "journal"
	troubleBroker    = "broker"
	troublePage      = "page"
	troubleMirror    = "mirror"
	troubleHeartbeat = "heartbeat"
	troubleChannel   = "channel " // and its name
)

// set notes a trouble, or that it is over. It reports whether that is news.
func (t *troubles) set(kind string, err error) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	was := t.by[kind]
	if err == nil {
		delete(t.by, kind)
		return was != nil
	}
	if t.by == nil {
		t.by = map[string]error{}
	}
	t.by[kind] = err
	return was == nil
}

// get returns the trouble of a kind, or nil.
func (t *troubles) get(kind string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.by[kind]
}

// list returns all troubles for a page, each on one line.
func (t *troubles) list() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []string
	for _, kind := range slices.Sorted(maps.Keys(t.by)) {
		out = append(out, oneLine(t.by[kind].Error()))
	}
	return out
}

// oneLine puts a message and its hint on one line.
func oneLine(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "\nhint: ", "; "), "\n", " ")
}
