package detect

import (
	"time"

	"nightwire/alerts"
)

// standing is an alarm as the detectors know it: raised or not, and what was last said of it.
type standing struct {
	ID      string // empty when not raised
	Raised  ms
	Finding alerts.Finding
	Good    int // readings in a row that speak for its end
	Quiet   ms  // since when nothing has spoken for it
}

func (s *standing) up() bool { return s.ID != "" }

func (w *Watch) emit(kind alerts.EventKind, at ms, s *standing) {
	w.out = append(w.out, alerts.Event{ID: s.ID, Time: fromMS(at).Truncate(time.Second), Kind: kind, Finding: s.Finding})
}

// inOrder returns at, or the time of the last event where that is later: what sensors say takes its time, each its own,
// and events do not go back.
func (w *Watch) inOrder(at ms) ms {
	w.state.Said = max(w.state.Said, at)
	return w.state.Said
}

func (w *Watch) raise(s *standing, at ms, f alerts.Finding) {
	at = w.inOrder(at)
	*s = standing{ID: alerts.AlarmID(fromMS(at), f.Source, f.Condition), Raised: at, Finding: f, Quiet: at}
	w.emit(alerts.Raised, at, s)
}

func (w *Watch) update(s *standing, at ms, f alerts.Finding) {
	s.Finding = f
	w.emit(alerts.Updated, w.inOrder(at), s)
}

// withdraw takes an alarm back of which nobody can say that it is over: another has taken its place, or nothing shows it.
func (w *Watch) withdraw(s *standing, at ms, text string) {
	w.clear(s, at, text)
	w.out[len(w.out)-1].Withdrawn = true
}

func (w *Watch) clear(s *standing, at ms, text string) {
	s.Finding.Text, s.Finding.Evidence = text, nil // what was seen was of the fault
	s.Finding.Again, s.Finding.Dried = nil, false
	s.Finding.Worst, s.Finding.WorstKV, s.Finding.Or, s.Finding.OrZones, s.Finding.WhenWet = "", nil, "", nil, false
	if t := w.byID[SensorID(w.farm, s.Finding.Source)]; t != nil && s.Finding.KV != nil {
		s.Finding.KV = kilo(t.LastVal) // what it is now, not what it was
	}
	w.emit(alerts.Returned, w.inOrder(at), s)
	*s = standing{}
}
