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

func (w *Watch) raise(s *standing, at ms, f alerts.Finding) {
	*s = standing{ID: alerts.AlarmID(fromMS(at), f.Source, f.Condition), Raised: at, Finding: f, Quiet: at}
	w.emit(alerts.Raised, at, s)
}

func (w *Watch) update(s *standing, at ms, f alerts.Finding) {
	s.Finding = f
	w.emit(alerts.Updated, at, s)
}

func (w *Watch) clear(s *standing, at ms, text string) {
	s.Finding.Text = text
	if t := w.byID[SensorID(w.farm, s.Finding.Source)]; t != nil && s.Finding.KV != nil {
		s.Finding.KV = kilo(t.LastVal) // what it is now, not what it was
	}
	w.emit(alerts.Returned, at, s)
	*s = standing{}
}
