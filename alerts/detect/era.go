package detect

// A level is the median of a sensor's last readings, so that of a sensor that reports every ten minutes is of half an
// hour ago, and that of one that reports twice a minute is of just now. When rain is coming on, or dew is drying, the
// two tell of different fences. A change is therefore reckoned, at every sensor, from one and the same moment: the
// latest of which all can tell.

const (
	keepLevels  = 24
	levelsEvery = 5 * 60_000
)

// pastLevels are a sensor's levels of the last hours.
type pastLevels struct {
	At  [keepLevels]ms
	Val [keepLevels]float64
	N   int
}

// keep notes the level, now and then, once there is one.
func (t *track) keep() {
	p, at := &t.Past, t.levelAt()
	if t.Level <= 0 || p.N > 0 && at-p.At[(p.N-1)%keepLevels] < levelsEvery {
		return
	}
	p.At[p.N%keepLevels], p.Val[p.N%keepLevels] = at, t.Level
	p.N++
}

// levelAt returns the moment that the level tells of: the middle of its readings, or when it was set.
func (t *track) levelAt() ms {
	return max(t.LastSeen-ms(min(t.NRecent, levelWindow)/2)*t.every, t.SetAt)
}

// middleAt is levelAt by the stamp of the middle one of the readings: after lost reports that is longer ago than as many
// periods. What it is less than what is kept of levels can tell apart counts for nothing.
func (t *track) middleAt() ms {
	at, n := t.levelAt(), min(t.NRecent, levelWindow)
	if n == 0 {
		return at
	}
	if m := max(t.RecentAt[(t.NRecent-1-n/2)%levelWindow], t.SetAt); at-m > levelsEvery {
		return m
	}
	return at
}

// levelOf returns the level nearest to the moment era; never one from before it was last set anew.
func (t *track) levelOf(era ms) float64 {
	v, off := t.Level, abs(t.levelAt()-era)
	for i := range min(t.Past.N, keepLevels) {
		at := t.Past.At[i]
		if d := abs(at - era); at >= t.SetAt && d < off {
			v, off = t.Past.Val[i], d
		}
	}
	return v
}

// era returns the latest moment of which every sensor's level can tell.
func (f *fence) era(now ms) ms {
	e := now
	for i, t := range f.tracks {
		if !f.mute(i) && t.Level > 0 && !t.Stale {
			e = min(e, t.middleAt())
		}
	}
	return max(e, now-keepLevels*levelsEvery)
}

// longSilent reports whether a gap between two readings is so long that nothing is kept of the others from before it.
func (t *track) longSilent(gap ms) bool { return gap > max(keepLevels*levelsEvery, 3*t.every) }
