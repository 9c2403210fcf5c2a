package web

import (
	"context"
	"errors"
	"net/http"

	"nightwire/alerts"
)

// links checks the signed links that messages carry. Check returns which alarm the token is for and whom the message
// went to; any error means that the link is not, or no longer, good.
type links interface {
	Check(token string) (alarm, person string, err error)
}

// alarmLog is the alarms of all times. Alarms gives them newest first; Alarm gives one with its Steps, and
// ErrNoAlarm when there is none of that id.
type alarmLog interface {
	Alarms(ctx context.Context, f AlarmFilter) ([]Alarm, error)
	Alarm(ctx context.Context, id string) (Alarm, error)
}

// ErrNoAlarm says that there is no alarm of that id.
var ErrNoAlarm = errors.New("no such alarm")

type linkView struct {
	ID      string
	Person  string
	Heading string
	Alarm   *Alarm
	Test    bool // it is the weekly test, and nothing is wrong
	Wanted  bool // an answer still is
	Done    bool
}

// linkPage shows one big button. Opening the link does nothing yet: mail programs open links by themselves.
func (s *Server) linkPage(w http.ResponseWriter, r *http.Request) { s.follow(w, r, false) }

// linkAct acknowledges. The token is the secret here, so there is no session and no form token.
func (s *Server) linkAct(w http.ResponseWriter, r *http.Request) { s.follow(w, r, true) }

func (s *Server) follow(w http.ResponseWriter, r *http.Request, press bool) {
	if s.opts.Links == nil {
		http.NotFound(w, r)
		return
	}
	id, person, err := s.opts.Links.Check(r.PathValue("token"))
	if err != nil {
		s.refuse(w, r, http.StatusGone, "refuse.link")
		return
	}
	f := s.stranger(r, "link.title")
	v := linkView{ID: id, Person: person}
	if o, err := s.opts.Overview.Overview(r.Context()); err == nil {
		f.Overview = &o
		v.Test = o.Test != nil && o.Test.ID == id
	}
	if s.opts.Alarms != nil && f.Overview != nil {
		if a, err := s.opts.Alarms.Alarm(r.Context(), id); err == nil {
			v.Alarm = &a
		}
	}
	v.Wanted = v.Test || v.Alarm == nil || v.Alarm.Unacked()
	if press && v.Wanted { // pressed twice, or after another: there is nothing left to do, and no reason to refuse
		a := alerts.Action{Time: s.opts.Now().UTC(), Kind: alerts.Acknowledge, Alarm: id, By: person}
		if err := s.opts.Actions.Act(r.Context(), a); err != nil {
			s.opts.Log.Warn("action not taken", "action", a.Kind, "err", err)
			s.refuseText(w, r, http.StatusConflict, s.notDone(err))
			return
		}
		v.Done = true
	}
	v.Heading = s.linkHeading(v)
	f.Body = v
	s.render(w, r, http.StatusOK, "link", f)
}

// linkHeading says how it stands with what the message was about: hours may lie between it and the press.
func (s *Server) linkHeading(v linkView) string {
	a := v.Alarm
	switch {
	case v.Done && v.Test:
		return s.words.text("link.test.done")
	case v.Test:
		return s.words.text("link.test")
	case v.Done:
		return s.words.text("link.done")
	case a == nil || a.State == UnackActive:
		return s.words.text("link.title")
	case a.Hushed():
		return s.words.text("link.hushed")
	case !a.Active():
		return s.words.text("link.over")
	case a.AckedBy == v.Person:
		return s.words.text("link.done")
	}
	return s.words.text("link.theirs", "who", a.AckedBy)
}
