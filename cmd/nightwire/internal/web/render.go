package web

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strings"
	"time"
)

//go:embed templates/*.html
var templateFiles embed.FS

// pageNames lists the pages; each has a file of its name under templates.
func pageNames() []string {
	return []string{"home", "zone", "energizer", "alarms", "alarm", "night", "week", "turnout", "upkeep", "login", "link", "offline", "refuse"}
}

// frame is what every page is rendered with. Its methods are the templates' helpers that need the moment, the farm's
// own time, or the words.
type frame struct {
	*Overview // nil on pages for strangers
	Location  *time.Location
	Now       time.Time
	Title     string
	Here      string // the path of this page, for forms to come back to
	Token     string
	Who       string
	Locked    bool // there is a password, so there is a log out
	Member    bool
	Live      bool // worth keeping live: it shows how things are now
	Flash     string
	Problem   string
	Body      any

	words *words
	files map[string]*file
}

// Look is what pages are made of: words, templates and files. It takes some two megabytes, and many servers may share it.
type Look struct {
	words *words
	pages map[string]*template.Template
	files map[string]*file
}

// NewLook reads the embedded files. The language is a file under words/.
func NewLook(language string) (*Look, error) {
	w, err := loadWords(language)
	if err != nil {
		return nil, err
	}
	l := &Look{words: w}
	if l.files, err = loadFiles(w); err != nil {
		return nil, err
	}
	if l.pages, err = parsePages(w); err != nil {
		return nil, fmt.Errorf("read page templates: %w", err)
	}
	return l, nil
}

// parsePages reads each page together with the shared parts.
func parsePages(w *words) (map[string]*template.Template, error) {
	base := template.New("").Funcs(template.FuncMap{
		"t":     w.text,
		"count": func(key string, n int, pairs ...any) string { return w.count(key, n, pairs...) },
		"has":   w.has,
		"upper": upperFirst,
		"wrong": func(s string) string { first, _ := firstSentence(s); return first },
		"to_do": func(s string) string { _, rest := firstSentence(s); return rest },
		"dict":  dict,
		"views": func() []string { return []string{"day", "week", "season"} },
		"links": func() []link {
			return []link{{"now", "/"}, {"alarms", "/alarms"}, {"night", "/night"}, {"week", "/week"}}
		},
	})
	base, err := base.ParseFS(templateFiles, "templates/base.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	pages := map[string]*template.Template{}
	for _, name := range pageNames() {
		p, err := base.Clone()
		if err != nil {
			return nil, err
		}
		if pages[name], err = p.ParseFS(templateFiles, "templates/"+name+".html"); err != nil {
			return nil, err
		}
	}
	return pages, nil
}

// link is an entry of the navigation.
type link struct{ Key, Path string }

// dict makes a map of pairs, for handing several values to a template.
func dict(pairs ...any) (map[string]any, error) {
	m := map[string]any{}
	for i := 0; i+1 < len(pairs); i += 2 {
		k, ok := pairs[i].(string)
		if !ok {
			return nil, fmt.Errorf("dict key %v is not a string", pairs[i])
		}
		m[k] = pairs[i+1]
	}
	return m, nil
}

type sessionKey struct{}

func withSession(ctx context.Context, s session) context.Context {
	return context.WithValue(ctx, sessionKey{}, s)
}

// stranger makes the frame of a page that shows nothing of the farm.
func (s *Server) stranger(r *http.Request, title string) *frame {
	return &frame{Location: s.opts.Location, Now: s.opts.Now(), Title: s.words.text(title), Here: r.URL.RequestURI(), Locked: s.door.locked(),
		words: s.words, files: s.files}
}

// member makes the frame of a page for somebody with a session, with the farm as it is now. When that fails it has
// answered, and returns nil.
func (s *Server) member(w http.ResponseWriter, r *http.Request, title string) *frame {
	f := s.stranger(r, title)
	ses, _ := r.Context().Value(sessionKey{}).(session)
	f.Member, f.Token, f.Who = true, s.keys.token(ses), ses.name
	if done := r.URL.Query().Get("done"); s.words.has("done." + done) {
		f.Flash = s.words.text("done." + done)
	}
	o, err := s.opts.Overview.Overview(r.Context())
	if err != nil {
		s.opts.Log.Error("overview not available", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.overview")
		return nil
	}
	f.Overview = &o
	return f
}

// render writes a page. It is rendered whole before a byte goes out, so that a broken page is an error and not half a
// page.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, page string, f *frame) {
	var b bytes.Buffer
	if err := s.pages[page].ExecuteTemplate(&b, "base", f); err != nil {
		s.opts.Log.Error("page not rendered", "page", page, "err", err)
		http.Error(w, s.words.text("refuse.broken"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	s.send(w, r, status, b.Bytes())
}

// refuse answers no, in words: a page for a browser, a line for anything else.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, key string) {
	s.refuseText(w, r, status, s.words.text(key))
}

func (s *Server) refuseText(w http.ResponseWriter, r *http.Request, status int, text string) {
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Error(w, text, status)
		return
	}
	f := s.stranger(r, "refuse.title")
	f.Problem = text
	s.render(w, r, status, "refuse", f)
}

// Asset returns the address of an embedded file; it changes with the file, so that it may be cached for good.
func (f *frame) Asset(name string) string { return "/static/" + f.files[name].name }

// Lang is the language of the words.
func (f *frame) Lang() string { return f.words.lang }

// local returns t in the farm's own time.
func (f *frame) local(t time.Time) time.Time { return t.In(f.Location) }

// LocalClock writes a time of day in the farm's own time.
func (f *frame) LocalClock(t time.Time) string { return f.local(t).Format("15:04") }

// Clock writes a time of day; with the date when it was not today.
func (f *frame) Clock(t time.Time) string {
	l, now := f.local(t), f.local(f.Now)
	if l.YearDay() == now.YearDay() && l.Year() == now.Year() {
		return l.Format("15:04")
	}
	return f.Date(t) + " " + l.Format("15:04")
}

// Date writes a day.
func (f *frame) Date(t time.Time) string { return f.words.date(f.local(t), f.local(f.Now)) }

// Ago writes how long ago t was.
func (f *frame) Ago(t time.Time) string {
	return f.words.text("ago", "span", f.words.span(f.Now.Sub(t)))
}

// Left writes how long it is until t.
func (f *frame) Left(t time.Time) string { return f.words.span(t.Sub(f.Now)) }

// ISO writes a time for machines.
func (f *frame) ISO(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// Seconds writes milliseconds as seconds.
func (f *frame) Seconds(ms *float64) string {
	if ms == nil {
		return f.Num(ms, 2)
	}
	return f.Num(*ms/1000, 2)
}

// KV writes kilovolts without their unit; a dash when they are not known.
func (f *frame) KV(v any) string { return f.Num(v, 1) }

// Num writes a number, or what a pointer points to, with so many decimals; a dash for nil.
func (f *frame) Num(v any, digits int) string {
	switch v := v.(type) {
	case float64:
		return f.words.decimal(v, digits)
	case *float64:
		if v != nil {
			return f.words.decimal(*v, digits)
		}
	}
	return "–"
}

// Ohms writes ohms to the digit that an error of sd leaves sure, or a dash.
func (f *frame) Ohms(v any, sd float64) string {
	if p, ok := v.(*float64); ok && p != nil {
		v = *p
	}
	if ohms, ok := v.(float64); ok && sd > 0 {
		step := math.Pow(10, math.Floor(math.Log10(sd)))
		v = math.Round(ohms/step) * step
	}
	return f.Num(v, 0)
}
