package detect

import (
	"fmt"
	"math"
	"strings"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

const (
	// leastOverdue keeps a perfect link from crying wolf over two lost reports.
	leastOverdue = 3.0
	// linkOverdue is how many reports every sensor must owe before the link itself is doubted.
	linkOverdue = 1.6
)

// longestSilence is how long any sensor may say nothing before that is told, however bad its link is.
const longestSilence = 8 * 60 * 60_000

// silentAfter returns how many reports in a row must fail before the sensor counts as silent: as many as its own record
// makes too unlikely. How long its runs of lost reports are is known only from those it has had, so the chance of the
// next one is that of a beta-geometric law: a link with few runs on record may yet show a long one.
func (t *track) silentAfter() float64 {
	most := max(leastOverdue, float64(longestSilence/t.every))
	begins := (t.Runs + 1) / (t.Expected + 100)
	left := t.fence.w.limits.Silence + math.Log(begins) + math.Log(t.lostAgain())
	goesOn, ends := t.runsGoOn(2)
	n := 2.0
	for ; left > 0 && n < most; n++ {
		left += math.Log((goesOn + n - 2) / (goesOn + ends + n - 2))
	}
	return max(leastOverdue, n)
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
		w.clockTime(last))
	f.Evidence = []string{fmt.Sprintf("%d sensors fell silent together", len(w.tracks))}
	w.raise(&w.state.Link, now, f)
}

func (w *Watch) silentFinding(t *track, now ms) alerts.Finding {
	f := alerts.Finding{Source: t.source, Condition: alerts.Silent, Cause: alerts.SensorSilent, Priority: alerts.Medium}
	if t.Level > 0 {
		f.KV = kilo(t.LastVal)
	}
	f.Text = fmt.Sprintf("%s's sensor has said nothing since %s, while others talk: its voltage is unknown, not zero. Measure there by hand; then see to its battery and aerial.",
		titled(t.name), w.clockTime(t.LastHeard))
	f.Evidence = []string{
		fmt.Sprintf("%.0f reports in a row missing; %.1f %% go missing as a rule", math.Floor(t.overdue(now)), 100*t.loss()),
	}
	return f
}

// clockTime writes a moment in the farm's own time.
func (w *Watch) clockTime(m ms) string {
	at := fromMS(m)
	if w.farm.Location != nil {
		at = at.In(w.farm.Location)
	}
	return at.Format("15:04")
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
