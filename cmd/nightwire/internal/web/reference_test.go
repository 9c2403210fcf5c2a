package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The reference of HTTP names each route that is not the page's own business.
func TestReferenceHasTheRoutes(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "deploy", "docs", "reference.md"))
	if err != nil {
		t.Fatal(err)
	}
	own := map[string]bool{"/login": true, "/static/{name}": true, "/manifest.webmanifest": true, "/worker.js": true, "/offline": true}
	s, err := New(options(newFake()))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, r := range s.routes {
		if r.method != "GET" || own[r.path] {
			continue
		}
		if path := strings.TrimSuffix(r.path, "{$}"); !strings.Contains(string(text), "`GET "+path+"`") {
			t.Errorf("the reference has no GET %s", path)
		}
	}
}
