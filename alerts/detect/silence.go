package detect

import (
	"fmt"
	"math"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

const (
	// leastOverdue keeps a perfect link from crying wolf over two lost reports.
	leastOverdue = 3.0
	// linkOverdue is how many reports every sensor must owe before the link itself is doubted.
	linkOverdue = 1.6
	// farmRuns is how many runs of the farm's other links may bear witness: those of its own shall outweigh them in the end.
	farmRuns = 5.0
)

// longestSilence is how long any sensor may say nothing before that is told, however bad its link is.
const longestSilence = 8 * 60 * 60_000

// silentAfter returns how many reports in a row must fail before the sensor counts as silent: as many as the records
// make too unlikely. A link that goes deaf does not remember for how long it has been: such runs of lost reports are
// geometric with a mean of their own, and as that is known only from the runs there were, the chance of the next one is
// that of a beta-geometric law.
func (t *track) silentAfter() float64 {
	most := max(leastOverdue, float64(longestSilence/t.every))
	begins := (t.Runs + 1) / (t.Expected + 100)
	left := t.fence.w.limits.Silence + math.Log(begins*t.lostAgain()*t.lostThird())
	goesOn, ends := t.staysDeaf()
	n := leastOverdue
	for ; left > 0 && n < most; n++ {
		left += math.Log((goesOn + n - leastOverdue) / (goesOn + ends + n - leastOverdue))
	}
	return n
}

// lostAgain returns how often one lost report is followed by another: bad links lose reports in runs. What is taken for
// granted until the sensor has a record is that they are short, on the strength of ten of them, and of eight and six of
// the longer ones below. Common practice, no source.
func (t *track) lostAgain() float64 {
	goesOn, ends := t.Long+1.2, max(0, t.Runs-t.Long)+8.8
	return min(0.9, goesOn/(goesOn+ends))
}

// lostThird returns how often two lost reports in a row are followed by a third.
func (t *track) lostThird() float64 {
	goesOn, ends := t.Deaf+1.2, max(0, t.Long-t.Deaf)+6.5
	return goesOn / (goesOn + ends)
}

// staysDeaf returns how often a run of three lost reports and more went on and how often it ended. A link that drops the
// odd report may also go deaf for minutes, of which the odd ones say nothing, so that these runs have a record of their
// own. How often a link goes deaf is a matter of where its sensor stands; for how long is one of what comes between it and
// the gateway, weather or a machine, that the farm's other links meet too. So each of them bears witness as one run does.
func (t *track) staysDeaf() (goesOn, ends float64) {
	w := t.fence.w
	runs, stayed := t.deafRun()
	runs, stayed = max(0, w.deaf-runs), max(0, w.stayed-stayed)
	share := min(1, farmRuns/max(runs, 1))
	return t.Stayed + share*stayed + 1.2, t.Deaf + share*runs + 5
}

// deafRun returns the record of the link's deaf runs as that of one, as long as they were on the mean.
func (t *track) deafRun() (runs, stayed float64) {
	of := max(1, t.Deaf)
	return t.Deaf / of, t.Stayed / of
}

// splitRuns gives a record that was saved without its deaf runs those that runs of its mean length would have had.
func (t *track) splitRuns() {
	if beyond := t.Missed - t.Runs - t.Long; t.Deaf == 0 && t.Long > 0 && beyond > 0.1 {
		t.Deaf = t.Long * (beyond / (beyond + t.Long))
		t.Stayed = max(0, beyond-t.Deaf)
	}
}

// sumDeaf adds up the usual deaf runs of all links.
func (w *Watch) sumDeaf() {
	w.deaf, w.stayed = 0, 0
	for _, t := range w.tracks {
		runs, stayed := t.deafRun()
		w.deaf += runs
		w.stayed += stayed
	}
}

// heard ends a silence.
func (w *Watch) heard(t *track) {
	now := w.state.Now
	t.Gone = false
	if t.Silence.up() {
		w.clear(&t.Silence, now, fmt.Sprintf("%s is heard again.", titled(t.name)))
	}
	if w.state.Link.up() && w.anyoneBack() {
		w.clear(&w.state.Link, now, "The sensors are heard again.")
		for _, other := range w.tracks { // the rest get their usual time to come back
			if other.Heard && other.Gone && !other.Silence.up() {
				other.Gone, other.LastHeard = false, now
			}
		}
	}
	w.due(t.LastHeard + ms((linkOverdue+0.25)*float64(t.every)))
}

// anyoneBack reports whether the link carries again: at least half of the sensors have been heard since it was lost,
// or two of them.
func (w *Watch) anyoneBack() bool {
	back, lost := 0, 0
	for _, t := range w.tracks {
		if !t.Heard {
			continue
		}
		lost++
		if t.LastHeard > w.state.Link.Raised {
			back++
		}
	}
	return back >= 2 || 2*back >= lost
}

// checkSilence looks for sensors that have stopped, and for all of them having stopped at once.
func (w *Watch) checkSilence(now ms) {
	w.sumDeaf()
	heard, all := 0, true
	for _, t := range w.tracks {
		if !t.Heard || t.Silence.up() {
			continue
		}
		heard++
		owed := t.overdue(now)
		all = all && owed >= linkOverdue
		if !w.state.Link.up() { // until somebody is heard again there is nothing to look for
			w.due(t.nextOwed(owed, now))
		}
	}
	switch {
	case w.state.Link.up():
	case heard < 2 || !all:
		w.checkEach(now, heard)
	case w.unlikely(now):
		w.loseLink(now)
	default:
		w.due(now + 15_000)
	}
}

// nextOwed returns when the sensor's silence is to be looked at again: when it first owes enough to doubt the link,
// then when it owes enough to be doubted itself.
func (t *track) nextOwed(owed float64, now ms) ms {
	after := linkOverdue
	if owed >= linkOverdue {
		after = leastOverdue
	}
	if owed >= leastOverdue {
		after = t.silentAfter()
	}
	next := t.LastHeard + ms((after+0.25)*float64(t.every)) + 1
	if next <= now {
		return now + 15_000 // it waits for the others
	}
	return next
}

// unlikely reports whether so many lost reports at once are beyond what the sensors' records allow.
func (w *Watch) unlikely(now ms) bool {
	sum := 0.0
	for _, t := range w.tracks {
		if t.Heard && !t.Silence.up() {
			sum -= math.Log(t.loss()) + max(0, math.Floor(t.overdue(now))-1)*math.Log(t.lostAgain())
		}
	}
	return sum >= w.limits.Silence+3
}

// checkEach tells of the sensors that have stopped while others talk. Those that stopped together, with nobody heard
// since, may have lost the link while slower sensors are not due yet: once they are half of those heard, that is told
// instead, and until then they wait, but no longer than an outage takes to be one.
func (w *Watch) checkEach(now ms, heard int) {
	last := ms(0)
	for _, t := range w.tracks {
		last = max(last, t.LastHeard)
	}
	together := 0
	for _, t := range w.tracks {
		if t.fellWith(last, now) {
			together++
		}
	}
	for _, t := range w.tracks {
		if !t.Heard || t.Gone || t.overdue(now) < leastOverdue || t.overdue(now) < t.silentAfter() {
			continue
		}
		if together >= 2 && t.fellWith(last, now) {
			if 2*together >= heard {
				w.loseLink(now)
				return
			}
			if now-t.LastHeard < longGap {
				continue
			}
		}
		t.Gone = true
		w.raise(&t.Silence, now, w.silentFinding(t, now))
	}
}

// fellWith reports whether the sensor owes reports, and nobody was heard, last at last, since the first of them was due.
func (t *track) fellWith(last, now ms) bool {
	return t.Heard && !t.Silence.up() && t.overdue(now) >= linkOverdue && t.overdue(last) <= 1
}

func (w *Watch) loseLink(now ms) {
	f := alerts.Finding{Source: farm.Site, Condition: alerts.Silent, Cause: alerts.LinkLost, Priority: alerts.High}
	last := ms(0)
	for _, t := range w.tracks {
		if t.Heard {
			t.Gone = true
			last = max(last, t.LastHeard)
			if t.node > 0 {
				f.Zones = append(f.Zones, t.name)
			}
		}
	}
	f.Text = fmt.Sprintf("No sensor has been heard since %s: nobody is watching the fence. Check the gateway's power and the network, then walk the line with a tester.",
		w.clock(last))
	f.Evidence = []string{fmt.Sprintf("%d sensors fell silent together", len(w.tracks))}
	w.raise(&w.state.Link, now, f)
}

func (w *Watch) silentFinding(t *track, now ms) alerts.Finding {
	f := alerts.Finding{Source: t.source, Condition: alerts.Silent, Cause: alerts.SensorSilent, Priority: alerts.Medium}
	if t.Level > 0 {
		f.KV = kilo(t.LastVal)
	}
	f.Text = fmt.Sprintf("%s's sensor has said nothing since %s, while others talk: its voltage is unknown, not zero. Measure there by hand; then see to its battery and aerial.",
		titled(t.name), w.clock(t.LastHeard))
	f.Evidence = []string{
		fmt.Sprintf("%.0f reports in a row missing; %.1f %% go missing as a rule", math.Floor(t.overdue(now)), 100*t.loss()),
	}
	return f
}

// clock says when something was as people do.
func (w *Watch) clock(at ms) string { return alerts.ClockTime(w.local(w.state.Now), w.local(at)) }

// local is a moment in the farm's own time.
func (w *Watch) local(m ms) time.Time {
	if w.farm.Location == nil {
		return fromMS(m)
	}
	return fromMS(m).In(w.farm.Location)
}

// titled begins a name with a capital, for the start of a sentence.
func titled(name string) string {
	if name == "" {
		return name
	}
	return strings.ToUpper(name[:1]) + name[1:]
}

// kilo returns volts as kilovolts with two decimals, as events carry them.
func kilo(volts float64) *float64 {
	kv := math.Round(volts/10) / 100
	return &kv
}
