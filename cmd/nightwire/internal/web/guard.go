package web

import (
	"crypto/subtle"
	"errors"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"
)

const maxFormBytes = 64 << 10

// policy allows our own files and nothing else: no inline script or style, no other host, no frame.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// headers sets the security headers on every answer, and makes pages uncacheable: an old page must not look new.
func (s *Server) headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		// Nothing goes to other hosts, such as a signed link. With no-referrer our own forms would come with no origin,
		// and over plain HTTP, where browsers send no Sec-Fetch-Site, be taken for another site's.
		h.Set("Referrer-Policy", "same-origin")
		if s.secure(r) || isLoopback(hostOnly(r.Host)) { // browsers complain of it over plain HTTP
			h.Set("Cross-Origin-Opener-Policy", "same-origin")
		}
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// sameSite refuses posts that another site made the browser send and, while there is no password, requests under any
// name but this machine's own: a page elsewhere could point its name at 127.0.0.1 and so become our own origin.
func (s *Server) sameSite(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "refuse.origin")
	}))
	inner := guard.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.door.locked() && !isLoopback(hostOnly(r.Host)) {
			s.refuse(w, r, http.StatusMisdirectedRequest, "refuse.host")
			return
		}
		inner.ServeHTTP(w, r)
	})
}

// recovered keeps one bad request from ending the watch.
func (s *Server) recovered(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			v := recover()
			if v == nil {
				return
			}
			if err, ok := v.(error); ok && errors.Is(err, http.ErrAbortHandler) {
				panic(v)
			}
			s.panics.Inc()
			s.opts.Log.Error("request panicked", "path", r.Pattern, "panic", v, "stack", string(debug.Stack()))
			http.Error(w, s.words.text("refuse.broken"), http.StatusInternalServerError)
		}()
		next.ServeHTTP(w, r)
	})
}

// needSession lets members in, gives everybody a session while there is no password, and sends others to the login.
func (s *Server) needSession(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ses, ok := s.session(r)
		switch {
		case !s.door.locked() && !ok:
			ses = s.begin(w, r, false, "")
		case s.door.locked() && !(ok && ses.trusted):
			s.toLogin(w, r)
			return
		case s.opts.Wall().Sub(ses.made) > sessionRenew:
			ses.made = s.opts.Wall()
			s.setCookie(w, r, ses)
		}
		h(w, r.WithContext(withSession(r.Context(), ses)))
	}
}

// needForm lets a post through when it comes from a page that we gave to this very session.
func (s *Server) needForm(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ses, ok := s.session(r)
		if !ok || s.door.locked() && !ses.trusted {
			s.refuse(w, r, http.StatusUnauthorized, "refuse.session")
			return
		}
		if !s.goodForm(w, r, ses) {
			return
		}
		h(w, r.WithContext(withSession(r.Context(), ses)))
	}
}

// goodForm reads the form and checks its token; when that fails it has answered.
func (s *Server) goodForm(w http.ResponseWriter, r *http.Request, ses session) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refuse.form")
		return false
	}
	want := s.keys.token(ses)
	if subtle.ConstantTimeCompare([]byte(r.PostForm.Get("token")), []byte(want)) != 1 {
		s.refuse(w, r, http.StatusForbidden, "refuse.token")
		return false
	}
	return true
}

// toLogin sends a page's reader to the login and back; anything else is told no.
func (s *Server) toLogin(w http.ResponseWriter, r *http.Request) {
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		s.refuse(w, r, http.StatusUnauthorized, "refuse.session")
		return
	}
	http.Redirect(w, r, "/login?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
}

// localPath returns p when it is a path on this server, else "/", so that a form cannot send people elsewhere.
func localPath(p string) string {
	u, err := url.Parse(p)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") ||
		strings.ContainsAny(p, "\\\r\n\t") {
		return "/"
	}
	return p
}

// metrics serves the metrics to a session or to the bearer of the token.
func (s *Server) metrics(w http.ResponseWriter, r *http.Request) {
	ses, ok := s.session(r)
	allowed := !s.door.locked() || ok && ses.trusted
	if t, is := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); is && s.opts.MetricsToken != "" {
		allowed = allowed || subtle.ConstantTimeCompare([]byte(t), []byte(s.opts.MetricsToken)) == 1
	}
	switch {
	case !allowed:
		w.Header().Set("WWW-Authenticate", "Bearer")
		s.refuse(w, r, http.StatusUnauthorized, "refuse.metrics")
	case s.opts.Metrics == nil:
		http.NotFound(w, r)
	default:
		s.opts.Metrics.ServeHTTP(w, r)
	}
}
