package farms

import (
	"crypto/sha256"
	"encoding/base64"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// listed is a farm in the list, and where its page is.
type listed struct{ Name, URL string }

// list shows a browser on this machine which farms have their page here. Nobody else is told a farm's name.
func (f *Front) list(w http.ResponseWriter, r *http.Request) {
	port := ""
	if _, p, err := net.SplitHostPort(r.Host); err == nil {
		port = ":" + p
	}
	var all []listed
	f.mu.RLock()
	for _, name := range slices.Sorted(maps.Keys(f.names)) {
		all = append(all, listed{name, "http://" + name + ".localhost" + port + "/"})
	}
	f.mu.RUnlock()
	sum := sha256.Sum256([]byte(listStyle))
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", "default-src 'none'; img-src data:; base-uri 'none'; frame-ancestors 'none'; form-action 'none'; "+
		"style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	if err := f.page.Execute(w, all); err != nil {
		f.log.Debug("list of farms not sent", "err", err) // the reader went away
	}
}

// onThisMachine reports whether a request comes from a program on this machine, and is for this machine by its own name.
// What a proxy here passes on comes from elsewhere, as does what a browser asks for another website that points its name
// here.
func onThisMachine(r *http.Request) bool {
	peer, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && ownName(hostOf(r)) && peer.Addr().Unmap().IsLoopback() && r.Header.Get("X-Forwarded-For") == "" && r.Header.Get("Forwarded") == ""
}

// ownName reports whether a host is this machine's own name for itself. Another website can point its name here.
func ownName(host string) bool {
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil && a.Unmap().IsLoopback()
}

const listStyle = `:root { color-scheme: light dark; }
body { margin: 0 auto; max-width: 480px; padding: 12px; font: 16px/1.4 system-ui, sans-serif; }
h1 { font-size: 1.4rem; }
ul { list-style: none; margin: 0; padding: 0; }
a { display: flex; align-items: center; min-height: 48px; margin-bottom: 8px; padding: 0 12px; border: 1px solid; border-radius: 8px; color: inherit; }
a:focus-visible { outline: 3px solid; outline-offset: 2px; }
`

const listPage = `<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Farms</title><link rel="icon" href="data:,"><style>` + listStyle + `</style></head>
<body><main><h1>{{if .}}Farms watched here{{else}}No farm is watched here yet{{end}}</h1>
<ul>{{range .}}<li><a href="{{.URL}}">{{.Name}}</a></li>{{end}}</ul>
<p>A farm with an address of its own (page.listen) is found there. This list is shown on this machine alone.</p></main></body></html>
`
