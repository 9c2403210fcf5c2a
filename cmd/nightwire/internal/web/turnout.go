package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"nightwire/alerts"
)

// turnouts answers whether stock may go out, from how the farm is at that moment.
type turnouts interface {
	Turnout(ctx context.Context, ask TurnoutAsk) (Turnout, error)
}

// TurnoutAsk is the question whether stock may go out.
type TurnoutAsk struct {
	Zones []string // that they are to go into; empty for all
	By    string
	Keep  bool // the answer, and when it is a yes the fence as it is now as the as-strung one
}

// Turnout is the answer.
type Turnout struct {
	Yes     bool
	Zones   []string
	Checks  []TurnoutCheck
	Margins string // what the limits rest on
}

// TurnoutCheck is one thing that was looked at.
type TurnoutCheck struct {
	About string // a zone, an energizer or the farm
	State string // yes, no or note
	Text  string
}

// turnoutPage is the body of the page.
type turnoutPage struct {
	Turnout
	At                   time.Time
	Against, Notes, Well []TurnoutCheck
	Asked                map[string]bool
	Cautions             []alerts.Caution
}

// turnout answers /turnout: whether stock may go out into the zones asked for.
func (s *Server) turnout(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "turnout.title")
	if f == nil {
		return
	}
	zones := r.URL.Query()["zone"]
	a, ok := s.askTurnout(w, r, f, TurnoutAsk{Zones: zones})
	if !ok {
		return
	}
	v := turnoutPage{Turnout: a, At: f.Now, Asked: map[string]bool{}, Cautions: alerts.Cautions(alerts.AboutReadings, alerts.AboutStock)}
	for _, name := range a.Zones {
		v.Asked[name] = true
	}
	for _, c := range s.together(a.Checks) {
		switch c.State {
		case "yes":
			v.Well = append(v.Well, c)
		case "note":
			v.Notes = append(v.Notes, c)
		default:
			v.Against = append(v.Against, c)
		}
	}
	f.Body = v
	s.render(w, r, http.StatusOK, "turnout", f)
}

// together makes one of checks that say the same of several: a link that is down would else be told once for each zone.
func (s *Server) together(checks []TurnoutCheck) []TurnoutCheck {
	var out []TurnoutCheck
	var names [][]string
	for _, c := range checks {
		i := slices.IndexFunc(out, func(o TurnoutCheck) bool { return o.State == c.State && o.Text == c.Text })
		if i < 0 {
			i = len(out)
			out, names = append(out, c), append(names, nil)
		}
		names[i] = append(names[i], c.About)
		out[i].About = s.list(names[i])
	}
	return out
}

// keepTurnout asks again, keeps the answer, and shows it.
func (s *Server) keepTurnout(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "turnout.title")
	if f == nil {
		return
	}
	ask := TurnoutAsk{Zones: r.PostForm["zone"], By: f.Who, Keep: true}
	a, ok := s.askTurnout(w, r, f, ask)
	if !ok {
		return
	}
	q := url.Values{"zone": ask.Zones, "done": {"turnout_no"}}
	if a.Yes {
		q.Set("done", "turnout_yes")
	}
	http.Redirect(w, r, "/turnout?"+q.Encode(), http.StatusSeeOther)
}

// askTurnout asks; when that cannot be done it has answered.
func (s *Server) askTurnout(w http.ResponseWriter, r *http.Request, f *frame, ask TurnoutAsk) (Turnout, bool) {
	known := func(name string) bool { return f.zoneNamed(name) }
	if i := slices.IndexFunc(ask.Zones, func(name string) bool { return !known(name) }); i >= 0 {
		s.refuse(w, r, http.StatusNotFound, "refuse.nozone")
		return Turnout{}, false
	}
	if s.opts.Turnouts == nil {
		s.refuse(w, r, http.StatusNotFound, "refuse.turnout")
		return Turnout{}, false
	}
	a, err := s.opts.Turnouts.Turnout(r.Context(), ask)
	if err != nil {
		s.opts.Log.Error("turnout check not made", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.turnout")
		return Turnout{}, false
	}
	return a, true
}
