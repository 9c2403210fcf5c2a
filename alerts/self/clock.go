package self

import "time"

// Jumps tells a clock that was set from time that passed.
type Jumps struct {
	wall time.Time
	up   time.Duration
}

const (
	// jump is the smallest change of the clock that people hear of: more than slewing and leap seconds do.
	jump = 2 * time.Minute
	// booting is how long after a start a clock may find the right time, ahead of it, without a word: boards without a
	// battery for their clock do so at every start.
	booting = 10 * time.Minute
)

// Look takes in what the wall's clock shows, and how long the program has been up by a clock that nobody sets. It
// returns by how much the wall's clock was set since the last look, ahead or back; 0 when it was not.
func (j *Jumps) Look(wall time.Time, up time.Duration) time.Duration {
	wall = wall.Round(0) // without the monotonic reading, which would hide what we look for
	if j.wall.IsZero() {
		*j = Jumps{wall, up}
		return 0
	}
	d := wall.Sub(j.wall) - (up - j.up)
	j.wall, j.up = wall, up
	if d.Abs() < jump || d > 0 && up < booting {
		return 0
	}
	return d
}
