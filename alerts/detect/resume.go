package detect

import "time"

// Resume tells the watch that nobody has listened until now, as after a restart. Silence until then says nothing of the
// sensors: each gets its usual time to be heard from now on.
func (w *Watch) Resume(now time.Time) {
	at := toMS(now)
	for _, t := range w.tracks {
		if t.Heard && !t.Silence.up() && !w.state.Link.up() {
			t.LastHeard = max(t.LastHeard, at)
			w.due(t.LastHeard + ms((linkOverdue+0.25)*float64(t.every)))
		}
	}
}
