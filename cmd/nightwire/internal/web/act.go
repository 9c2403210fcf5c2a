package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

const maxNoteRunes = 500

// offered returns the lengths that a form offers for an action; none for one that does not end by itself. The longest
// keeps a forgotten one from outliving a night and a day (IEC 62682 asks for a bound on shelving; which, is ours).
func offered(kind alerts.ActionKind) []string {
	switch kind {
	case alerts.Shelve:
		return []string{"1h", "4h", "12h", "24h"}
	case alerts.OutOfService:
		return []string{"1h", "2h", "4h", "8h", "24h"}
	}
	return nil
}

// act takes one action from any of the forms and goes back to where it was pressed.
func (s *Server) act(w http.ResponseWriter, r *http.Request) {
	a, err := s.readAction(r)
	if err != nil {
		s.refuse(w, r, http.StatusBadRequest, err.Error())
		return
	}
	if err := s.opts.Actions.Act(r.Context(), a); err != nil {
		s.opts.Log.Warn("action not taken", "action", a.Kind, "err", err)
		s.refuseText(w, r, http.StatusConflict, s.notDone(err))
		return
	}
	http.Redirect(w, r, doneAt(r.PostForm.Get("back"), string(a.Kind)), http.StatusSeeOther)
}

// notDone says why nothing was done, and what to do next as a sentence of its own.
func (s *Server) notDone(err error) string {
	why, hint, _ := strings.Cut(err.Error(), "\nhint: ")
	text := s.words.text("refuse.act", "err", why)
	if hint != "" {
		text += " " + upperFirst(hint) + "."
	}
	return text
}

// doneAt returns the way back, with what was done.
func doneAt(back, kind string) string {
	u, err := url.Parse(localPath(back))
	if err != nil {
		return "/"
	}
	q := u.Query()
	q.Set("done", kind)
	u.RawQuery = q.Encode()
	return u.String()
}

// readAction checks a form; its error is a key of the words.
func (s *Server) readAction(r *http.Request) (alerts.Action, error) {
	form := r.PostForm
	ses, _ := r.Context().Value(sessionKey{}).(session)
	a := alerts.Action{
		Time: s.opts.Now().UTC(), Kind: alerts.ActionKind(form.Get("action")), By: ses.name,
		Note: strings.TrimSpace(strings.ToValidUTF8(form.Get("note"), "")),
	}
	if by := cleanName(form.Get("by")); by != "" {
		a.By = by
	}
	for _, key := range []string{"alarm", "source", "task"} {
		if !utf8.ValidString(form.Get(key)) {
			return a, errors.New("refuse.form") // a name that could not be kept as it is
		}
	}
	if utf8.RuneCountInString(a.Note) > maxNoteRunes {
		return a, errors.New("refuse.long")
	}
	switch a.Kind {
	case alerts.Acknowledge, alerts.Unshelve, alerts.Reset, alerts.Shelve:
		if a.Alarm = form.Get("alarm"); a.Alarm == "" || len(a.Alarm) > 200 {
			return a, errors.New("refuse.form")
		}
	case alerts.Weathered:
		var err error
		if a.Weather, err = s.readWeather(form, a.Time); err != nil {
			return a, err
		}
		a.Source = farm.Site
	case alerts.OutOfService, alerts.InService, alerts.Trimmed, alerts.Restrung, alerts.Note:
		if a.Source = farm.Source(form.Get("source")); a.Source == "" || len(a.Source) > 200 {
			return a, errors.New("refuse.form")
		}
		if err := s.readOn(&a, form.Get("on")); err != nil {
			return a, err
		}
	case alerts.Done:
		if err := readDone(&a, form); err != nil {
			return a, err
		}
	default:
		return a, errors.New("refuse.form")
	}
	if a.Kind == alerts.Note && a.Note == "" {
		return a, errors.New("refuse.empty")
	}
	return a, s.readUntil(&a, form.Get("for"))
}

// readOn reads when something was done, in the farm's own time; empty is now. Whether it can have been then is for the
// watch to say.
func (s *Server) readOn(a *alerts.Action, on string) error {
	if on = strings.TrimSpace(on); on == "" || a.Kind == alerts.OutOfService || a.Kind == alerts.InService {
		return nil
	}
	when, ok := farm.ReadWhen(on, a.Time, s.opts.Location)
	if !ok {
		return errors.New("refuse.when")
	}
	a.On = when.UTC()
	return nil
}

// readUntil sets when a shelving or out-of-service ends: one of the offered lengths, never without an end.
func (s *Server) readUntil(a *alerts.Action, length string) error {
	lengths := offered(a.Kind)
	if lengths == nil {
		return nil
	}
	d, err := time.ParseDuration(length)
	if err != nil || !slices.Contains(lengths, length) {
		return errors.New("refuse.for")
	}
	a.Until = a.Time.Add(d)
	return nil
}

// Offered lists the lengths that the form of an action offers.
func (f *frame) Offered(kind alerts.ActionKind) []string { return offered(kind) }

// Length writes one of those lengths for people.
func (f *frame) Length(d string) string {
	v, err := time.ParseDuration(d)
	if err != nil {
		return d
	}
	return f.words.span(v)
}
