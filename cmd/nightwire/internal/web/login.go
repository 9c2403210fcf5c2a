package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"
)

// loginPage asks for the password and for a name to keep with what is done.
func (s *Server) loginPage(w http.ResponseWriter, r *http.Request) {
	s.askPassword(w, r, http.StatusOK, localPath(r.URL.Query().Get("next")), "")
}

func (s *Server) askPassword(w http.ResponseWriter, r *http.Request, status int, next, problem string) {
	ses, ok := s.session(r)
	if !ok {
		ses = s.begin(w, r, false, "")
	}
	f := s.stranger(r, "login.title")
	f.Token, f.Who, f.Problem = s.keys.token(ses), ses.name, problem
	f.Body = next
	s.render(w, r, status, "login", f)
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	ses, ok := s.session(r)
	if !ok {
		s.refuse(w, r, http.StatusForbidden, "refuse.token")
		return
	}
	if !s.goodForm(w, r, ses) {
		return
	}
	next, name := localPath(r.PostForm.Get("next")), cleanName(r.PostForm.Get("name"))
	if !s.door.locked() {
		s.begin(w, r, false, name)
		http.Redirect(w, r, next, http.StatusSeeOther)
		return
	}
	good, wait, err := s.door.try(addressOf(r), r.PostForm.Get("password"))
	switch {
	case errors.Is(err, errWait):
		s.logins.WithLabelValues("wait").Inc()
		seconds := int((wait + time.Second - 1) / time.Second)
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		s.askPassword(w, r, http.StatusTooManyRequests, next,
			s.words.text("login.wait", "span", s.words.span(time.Duration(seconds)*time.Second)))
	case !good:
		s.logins.WithLabelValues("wrong").Inc()
		s.opts.Log.Warn("wrong password", "from", addressOf(r).Addr().String())
		s.askPassword(w, r, http.StatusUnauthorized, next, s.words.text("login.wrong"))
	default:
		s.logins.WithLabelValues("ok").Inc()
		s.door.end(ses.id)
		s.begin(w, r, true, name)
		http.Redirect(w, r, next, http.StatusSeeOther)
	}
}

func (s *Server) logout(w http.ResponseWriter, r *http.Request) {
	if ses, ok := s.session(r); ok {
		s.door.end(ses.id)
	}
	http.SetCookie(w, &http.Cookie{Name: s.cookieName(r), Path: "/", MaxAge: -1, HttpOnly: true, Secure: s.secure(r),
		SameSite: http.SameSiteLaxMode})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// setName changes the name that is kept with what this browser does.
func (s *Server) setName(w http.ResponseWriter, r *http.Request) {
	ses, ok := s.session(r)
	if !ok {
		s.refuse(w, r, http.StatusUnauthorized, "refuse.session")
		return
	}
	ses.name = cleanName(r.PostForm.Get("name"))
	s.setCookie(w, r, ses)
	http.Redirect(w, r, doneAt(r.PostForm.Get("back"), "name"), http.StatusSeeOther)
}
