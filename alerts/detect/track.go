package detect

import (
	"math"
	"slices"
	"time"

	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// ms is a moment in milliseconds since 1970: what the state keeps instead of time.Time, being small and the same
// after it was saved and loaded.
type ms = int64

func toMS(t time.Time) ms   { return t.UnixMilli() }
func fromMS(m ms) time.Time { return time.UnixMilli(m).UTC() }

// levelWindow is over how many readings a level is the median: odd, and short enough to follow dew.
const levelWindow = 7

// track is what is remembered of one sensor. Its exported fields are the state that is saved.
type track struct {
	id     pulse.SensorID
	source farm.Source
	name   string
	every  ms
	fence  *fence
	node   int // 0 for the energizer's, i+1 for zone i's

	Heard     bool
	LastAt    ms // stamp of the newest reading
	LastHeard ms // arrival of the newest message, late ones too
	LastCame  ms // the same, with what was given again by the broker
	LastLag   ms
	Lags      [16]ms // newest lags between stamp and arrival, to tell a slow clock from late news
	NLags     int

	Expected, Missed, Runs float64 // reports due, lost, and runs of lost ones, forgetting slowly
	Long                   float64 // of the runs, those of two and more
	Deaf, Stayed           float64 // those of three and more, and for how many reports beyond the third they went on
	Gone                   bool    // taken for silent
	Silence                standing

	Recent   [levelWindow]float64 // newest readings taken as normal
	RecentAt [levelWindow]ms      // their stamps
	NRecent  int
	Level    float64 // their median, volts; 0 until there are three
	SetAt    ms      // when the level was last set anew
	Past     pastLevels
	Stale    bool    // rain came, or hours went by, since the level was taken: the next reading that could be weather's replaces it
	Noise    float64 // relative standard deviation of one reading about its neighbours
	Grain    float64 // smallest step between two readings: the sensor's resolution, volts; 0 until seen
	LastVal  float64
	Prev     float64 // the reading before LastVal
	LastSeen ms      // stamp of the newest reading with a voltage; 0 before
	Run      int     // how many readings in a row have been the same to the digit
	RunNoise float64 // Noise when they began: equal readings say nothing of it where the sensor is stuck
	Repeats  float64 // of readings, how many repeated the one before, forgetting slowly
	Changes  float64
	Resting  float64 // repeats beyond the first few of a run, forgetting slowly
	Rests    float64 // and runs that got so far
	Still    int     // looks in a row at which it should have moved and had not
	Stuck    standing
	Bad      int // readings in a row that stand for a fault
	FellIn   ms  // from the reading before to the first of them
	FellAt   ms  // stamp of the first of them
	Under    int // readings in a row under the minimum
	LowFrom  ms  // since when the level has stood under it, or what is shown there; 0 when it does not
	Since    since
	Dipped   episodes
	Dips     since // newest ratios to the level of readings that stood for a fault, or were low while others did
	DipsOf   since // and the levels that these are of
	DipsAt   ms    // stamp of the newest of them

	Day histogram
}

// since gathers what a sensor has said since a suspicion began.
type since struct {
	N    int
	Vals [8]float64 // the newest
}

func (s *since) add(v float64) {
	s.Vals[s.N%len(s.Vals)] = v
	s.N++
}

func (s *since) median() float64 {
	n := min(s.N, len(s.Vals))
	if n == 0 {
		return math.NaN()
	}
	var buf [8]float64
	copy(buf[:], s.Vals[:n])
	v := medianOf(buf[:n]) // sorts
	if buf[0] > 0 || buf[n-1] >= floorVolts {
		return v
	}
	for _, some := range buf[:n] {
		if some > strayVolts {
			return some // the weakest pulse that it sees, and by turns does not
		}
	}
	return v
}

// latest returns the median of the newest three.
func (s *since) latest() float64 { return s.newest(3) }

// newest returns the median of the newest few that are kept.
func (s *since) newest(few int) float64 { return newest(s.Vals[:], s.N, few) }

// newest returns the median of the newest few of the vals, at most eight, that n were put into in turn; NaN of none.
func newest(vals []float64, n, few int) float64 {
	few = min(n, few, len(vals))
	if few == 0 {
		return math.NaN()
	}
	var buf [8]float64
	for k := range few {
		buf[k] = vals[(n-1-k)%len(vals)]
	}
	return medianOf(buf[:few])
}

// least returns the lowest of the values kept.
func (s *since) least() float64 {
	low := math.Inf(1)
	for _, v := range s.Vals[:min(s.N, len(s.Vals))] {
		low = min(low, v)
	}
	return low
}

// medianOf sorts v in place and returns its median.
func medianOf(v []float64) float64 {
	slices.Sort(v)
	m := len(v) / 2
	if len(v)%2 == 1 {
		return v[m]
	}
	return (v[m-1] + v[m]) / 2
}

const (
	lateAfter  = 5 * 60_000     // a reading that took longer than its sensor's usual lag and this is old news
	forgetPer  = 1.0 / 3000     // how fast a sensor's record of loss and repeats forgets, per report
	noisePer   = 1.0 / 64       // and its noise, per reading
	leastNoise = 0.004          // no cheap sensor repeats a peak better than this; common practice, no source
	firstNoise = 0.015          // taken until measured
	longGap    = 60 * 60 * 1000 // a longer gap is an outage and says nothing of the link's usual loss
	longRun    = 20             // reports; so is a longer gap of a sensor that reports seldom
)

// hear records that a message came. It says whether that shows the sensor to be alive, and whether the reading is news:
// newer than what was known, and not held up.
func (t *track) hear(at, arrived ms) (alive, news bool) {
	lag := arrived - at
	usual := lag
	for _, l := range t.Lags[:min(t.NLags, len(t.Lags))] {
		usual = min(usual, l)
	}
	// A clock that is slow by the same amount every time is wrong, not late; a backlog comes in a burst.
	steady := t.Heard && arrived-t.LastCame >= t.every/2 && abs(lag-t.LastLag) < 60_000
	fresh := lag <= usual+max(lateAfter, 3*t.every) && (t.NLags > 0 || lag <= max(lateAfter, 3*t.every)) || steady
	t.LastLag, t.LastCame = lag, max(t.LastCame, arrived)
	older := t.Heard && at <= t.LastAt
	if older && !steady {
		return false, false // given again by the broker: it says nothing of the sensor now
	}
	if older {
		t.NLags = 0 // the clock was set back
	}
	if fresh {
		t.Lags[t.NLags%len(t.Lags)] = lag
		t.NLags++
	}
	if t.Heard && fresh && !older {
		t.countGap(at - t.LastAt)
	}
	t.LastHeard = max(t.LastHeard, arrived)
	if fresh {
		t.LastAt = at
	}
	t.Heard = true
	return true, fresh
}

// usualLag returns by how much the sensor's stamps are behind our clock at the least: added to a stamp, it makes those
// of sensors whose clocks differ comparable.
func (t *track) usualLag() ms {
	if t.NLags == 0 {
		return 0
	}
	return slices.Min(t.Lags[:min(t.NLags, len(t.Lags))])
}

func abs(x ms) ms {
	if x < 0 {
		return -x
	}
	return x
}

// countGap enters the reports that should have come within gap into the record of the link. A silence that was told
// and proved short counts too: left out, a link that loses long runs would be told of for ever.
func (t *track) countGap(gap ms) {
	ofTheLink := t.Gone && !t.Silence.up()
	if ofTheLink || gap > max(longGap, longRun*t.every) {
		return
	}
	due := math.Max(1, math.Round(float64(gap)/float64(t.every)))
	keep := math.Pow(1-forgetPer, due)
	t.Expected = t.Expected*keep + due
	t.Missed = t.Missed*keep + due - 1
	t.Runs *= keep
	t.Long *= keep
	t.Deaf *= keep
	t.Stayed *= keep
	if due > 1 {
		t.Runs++
	}
	if due > 2 {
		t.Long++
	}
	if due > 3 {
		t.Deaf++
		t.Stayed += due - 4
	}
}

// loss returns the share of reports that usually get lost, never less than a few in a thousand.
func (t *track) loss() float64 {
	return min(0.6, (t.Missed+1)/(t.Expected+100)+0.003)
}

// overdue returns how many reports in a row have failed to come by now.
func (t *track) overdue(now ms) float64 {
	return float64(now-t.LastHeard)/float64(t.every) - 0.25 // a quarter period for jitter
}

// normal takes v into the level: the reading is what the fence usually does. Where there is no pulse that it sees, a
// sensor shows some volts or none, by turns: that is many times itself, and says nothing of how closely it shows a
// pulse.
func (t *track) normal(v float64) {
	if t.Level >= floorVolts {
		// The difference of two readings has twice the variance of one. Cap it, so that a step counts once.
		d := min(math.Abs(v-t.lastNormal())/t.Level, 5*t.noise())
		t.Noise += (d*d/2 - t.Noise) * noisePer
	}
	t.Recent[t.NRecent%levelWindow], t.RecentAt[t.NRecent%levelWindow] = v, t.LastSeen
	t.NRecent++
	t.relevel()
	t.keep()
}

func (t *track) relevel() {
	n := min(t.NRecent, levelWindow)
	if n < 3 {
		return
	}
	var buf [levelWindow]float64
	copy(buf[:], t.Recent[:n])
	t.Level = medianOf(buf[:n])
}

// moved returns the logarithm of the newest readings that the level is of over the oldest.
func (t *track) moved() float64 {
	if t.NRecent < levelWindow {
		return 0
	}
	ends := func(first int) float64 {
		var buf [3]float64
		for k := range buf {
			buf[k] = t.Recent[(t.NRecent+first+k)%levelWindow]
		}
		return medianOf(buf[:])
	}
	return math.Log(ends(levelWindow-3) / ends(0))
}

func (t *track) lastNormal() float64 {
	if t.NRecent == 0 {
		return t.Level
	}
	return t.Recent[(t.NRecent-1)%levelWindow]
}

// refresh replaces a level that is stale by v, unless no rain takes a wire down that far.
func (t *track) refresh(v float64) {
	if t.Stale && t.Level > 0 && v > rainLeaves*t.Level {
		t.restart(v)
	}
	t.Stale = false
}

// rainLeaves is what a downpour leaves of a level at the least. Common practice, no source.
const rainLeaves = 0.5

// restart forgets the level and begins a new one with v.
func (t *track) restart(v float64) {
	t.SetAt, t.Stale = t.LastSeen, false
	t.NRecent = 0
	for range 3 {
		t.Recent[t.NRecent], t.RecentAt[t.NRecent] = v, t.LastSeen
		t.NRecent++
	}
	t.Level = v
}

// noise returns the relative standard deviation of a reading. Noise holds the variance.
func (t *track) noise() float64 {
	if t.Noise == 0 {
		return firstNoise
	}
	return math.Max(leastNoise, math.Sqrt(t.Noise))
}

// grain notes the smallest step between two readings.
func (t *track) grain(v float64) {
	if d := math.Abs(v - t.LastVal); t.LastSeen > 0 && d > 0.5 && (t.Grain == 0 || d < t.Grain) {
		t.Grain = d
	}
}

// dip returns the ratio to the level under which a reading cannot be noise.
func (t *track) dip() float64 {
	d := math.Max(t.fence.w.limits.Dip, 6*t.noise())
	if t.Level > 0 {
		d = math.Max(d, 2.5*t.Grain/t.Level)
	}
	return 1 - min(d, 0.5)
}

// agrees reports whether the sensor's last readings bear each other out that something is wrong: two alike, or three
// that are odd in whatever way.
func (t *track) agrees() bool {
	return t.Bad >= 3 || t.Bad >= 2 && math.Abs(t.LastVal-t.Prev) <= 0.1*t.Level+2*t.Grain
}

// histogram counts a day's readings in steps of binVolts.
type histogram struct {
	N    int
	Bins []uint16
}

const (
	binVolts = 20
	bins     = 640 // up to 12.8 kV; what lies above counts in the last
)

func (h *histogram) add(v float64) {
	if h.Bins == nil {
		h.Bins = make([]uint16, bins)
	}
	i := min(max(int(v/binVolts+0.5), 0), bins-1) // centred, so that a coarse sensor's round figures stay what they are
	if h.Bins[i] < math.MaxUint16 {
		h.Bins[i]++
		h.N++
	}
}

// quantile returns the value under which the share q of the readings lies, to a fraction of a bin.
func (h *histogram) quantile(q float64) float64 {
	target := q * float64(h.N)
	sum := 0.0
	for i, c := range h.Bins {
		if sum+float64(c) >= target && c > 0 {
			return max(0, binVolts*(float64(i)-0.5+(target-sum)/float64(c)))
		}
		sum += float64(c)
	}
	return 0
}

func (h *histogram) reset() {
	h.N = 0
	clear(h.Bins)
}
