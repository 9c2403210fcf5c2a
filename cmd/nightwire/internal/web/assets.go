package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"path"
	"strings"
)

//go:embed assets/*
var assetFiles embed.FS

// contentType returns what a file is by its ending. The machine's own tables are not asked: they differ.
func contentType(ext string) string {
	switch ext {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".png":
		return "image/png"
	case ".svg":
		return "image/svg+xml"
	case ".webmanifest":
		return "application/manifest+json"
	}
	return "application/octet-stream"
}

// file is an embedded file, named by its content so that browsers may keep it for good.
type file struct {
	name   string // style.0a1b2c3d.css
	kind   string // content type
	body   []byte
	zipped []byte // nil when zipping does not help
}

// loadFiles reads the embedded files, under their plain names.
func loadFiles(w *words) (map[string]*file, error) {
	entries, err := assetFiles.ReadDir("assets")
	if err != nil {
		return nil, fmt.Errorf("read embedded files: %w", err)
	}
	files := map[string]*file{}
	for _, e := range entries {
		body, err := assetFiles.ReadFile("assets/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("read embedded file %s: %w", e.Name(), err)
		}
		ext := path.Ext(e.Name())
		if ext == ".css" || ext == ".js" {
			body = slim(body)
		}
		sum := sha256.Sum256(body)
		f := &file{name: strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:4]) + ext,
			kind: contentType(ext), body: body}
		if z := zip(body); len(z) < len(body)*9/10 {
			f.zipped = z
		}
		files[e.Name()] = f
	}
	return files, nil
}

// slim leaves out what a browser passes over: indentation, empty lines, and lines that are only a comment.
func slim(body []byte) []byte {
	var out []byte
	for line := range bytes.Lines(body) {
		line = bytes.TrimSpace(line)
		if len(line) > 0 && !bytes.HasPrefix(line, []byte("//")) && !bytes.HasPrefix(line, []byte("/*")) {
			out = append(append(out, line...), '\n')
		}
	}
	return out
}

// static serves an embedded file under its content's name.
func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	for _, f := range s.files {
		if f.name == r.PathValue("name") {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
			s.sendFile(w, r, f)
			return
		}
	}
	http.NotFound(w, r)
}

func (s *Server) sendFile(w http.ResponseWriter, r *http.Request, f *file) {
	w.Header().Set("Content-Type", f.kind)
	body := f.body
	if f.zipped != nil {
		w.Header().Set("Vary", "Accept-Encoding")
		if takesZip(r) {
			w.Header().Set("Content-Encoding", "gzip")
			body = f.zipped
		}
	}
	w.Write(body)
}

// send writes a page, zipped when the browser takes it: on one bar of signal a third of the bytes is a third of the
// wait.
func (s *Server) send(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Set("Vary", "Accept-Encoding, Cookie")
	if takesZip(r) && len(body) > 1400 { // less fits in one packet anyway
		w.Header().Set("Content-Encoding", "gzip")
		w.WriteHeader(status)
		z, ok := s.zips.Get().(*gzip.Writer) // one takes 800 kB to make
		if !ok {
			z = gzip.NewWriter(nil)
		}
		z.Reset(w)
		z.Write(body)
		z.Close()
		s.zips.Put(z)
		return
	}
	w.WriteHeader(status)
	w.Write(body)
}

func takesZip(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept-Encoding"), "gzip")
}

func zip(body []byte) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b) // writes to memory cannot fail
	z.Write(body)
	z.Close()
	return b.Bytes()
}
