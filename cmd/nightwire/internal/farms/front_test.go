package farms

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

func TestFiguresAreGuarded(t *testing.T) {
	figures := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "figures") })
	for _, c := range []struct {
		name, token, peer, bearer, via string
		want                           int
	}{
		{"this machine", "", "127.0.0.1:9", "", "", 200},
		{"this machine by IPv6", "", "[::1]:9", "", "", 200},
		{"stranger", "", "192.0.2.7:9", "", "", 403},
		{"stranger through a proxy here", "", "127.0.0.1:9", "", "192.0.2.7", 403},
		{"another website's name for this machine", "", "127.0.0.1:9", "", "", 403},
		{"token", "sesame", "192.0.2.7:9", "Bearer sesame", "", 200},
		{"wrong token", "sesame", "192.0.2.7:9", "Bearer barley", "", 403},
		{"this machine without the token", "sesame", "127.0.0.1:9", "", "", 403},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest("GET", "/metrics", nil)
			r.RemoteAddr, r.Host = c.peer, "localhost:8480"
			if strings.Contains(c.name, "website") {
				r.Host = "evil.example.org"
			}
			r.Header.Set("Authorization", c.bearer)
			r.Header.Set("X-Forwarded-For", c.via)
			w := httptest.NewRecorder()
			Rest(figures, c.token, well).ServeHTTP(w, r)
			if w.Code != c.want {
				t.Errorf("status %d, want %d", w.Code, c.want)
			}
		})
	}
}
