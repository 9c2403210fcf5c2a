package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

const (
	liveEvery = 5 * time.Second  // changes closer together go out as one, to spare a weak link
	liveBeat  = 20 * time.Second // so that the page notices a dead link; the script waits for two and a half
)

// live is a stream of server-sent events: "change" when the page should be fetched again, "beat" to say that the link
// still stands. Both carry our time. It ends when the reader goes, the session expires, or the server closes.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	if s.opts.Changes == nil {
		http.NotFound(w, r)
		return
	}
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	default:
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.streams")
		return
	}
	s.streams.Inc()
	defer s.streams.Dec()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	out := http.NewResponseController(w)
	changed := s.opts.Changes.Changes(r.Context())
	beat, quiet := time.NewTicker(liveBeat), time.NewTimer(0)
	defer beat.Stop()
	defer quiet.Stop()
	<-quiet.C
	pending, resting := false, false
	for event := "beat"; ; {
		if event != "" {
			out.SetWriteDeadline(time.Now().Add(liveBeat)) // the connection's own clock, not the farm's
			if _, err := fmt.Fprintf(w, "event: %s\ndata: %d\n\n", event, s.opts.Now().Unix()); err != nil || out.Flush() != nil {
				return
			}
		}
		event = ""
		select {
		case <-r.Context().Done():
			return
		case <-s.closing:
			return
		case <-beat.C:
			event = "beat"
			if ses, ok := s.session(r); s.door.locked() && !(ok && ses.trusted) {
				return
			}
		case _, ok := <-changed:
			if !ok {
				return
			}
			if pending = resting; !resting {
				event, resting = "change", true
				quiet.Reset(liveEvery)
			}
		case <-quiet.C:
			resting = false
			if pending {
				event, pending, resting = "change", false, true
				quiet.Reset(liveEvery)
			}
		}
	}
}

// manifest lets a phone put the page on its home screen.
func (s *Server) manifest(w http.ResponseWriter, r *http.Request) {
	icon := "/static/" + s.files["icon.svg"].name
	b, err := json.Marshal(map[string]any{
		"name": s.words.text("app.name"), "short_name": s.words.text("app.name"), "lang": s.words.lang,
		"start_url": "/", "scope": "/", "id": "/", "display": "standalone", "background_color": "#ebebe8", "theme_color": "#2b2d30",
		"icons": []map[string]string{{"src": icon, "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
			{"src": icon, "sizes": "any", "type": "image/svg+xml", "purpose": "maskable"},
			{"src": "/static/" + s.files["icon.png"].name, "sizes": "192x192", "type": "image/png"}}, // phones that know no SVG here
	})
	if err != nil {
		s.opts.Log.Error("manifest not written", "err", err)
		http.Error(w, s.words.text("refuse.broken"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", contentType(".webmanifest"))
	w.Write(b)
}

// worker serves the service worker. It stands at the root, since a worker only sees what lies below it, and carries
// the names of the files to keep, so that it changes when they do.
func (s *Server) worker(w http.ResponseWriter, r *http.Request) {
	keep := []string{}
	for _, name := range []string{"style.css", "live.js", "icon.svg"} {
		keep = append(keep, strconv.Quote("/static/"+s.files[name].name))
	}
	body := strings.Replace(string(s.files["worker.js"].body), "[/* kept */]", "["+strings.Join(keep, ",")+"]", 1)
	w.Header().Set("Content-Type", contentType(".js"))
	w.Header().Set("Cache-Control", "no-cache")
	w.Write([]byte(body))
}

// offline is what the service worker shows when there is no link: that there is none, and nothing that could pass for
// the state of the fence.
func (s *Server) offline(w http.ResponseWriter, r *http.Request) {
	s.render(w, r, http.StatusOK, "offline", s.stranger(r, "offline.title"))
}
