package farms

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Front is one listener for the pages of many farms, told apart by the host that the browser asks for. A farm's page is
// found under the host of its page.url, and under every host whose first label is the farm's name, as
// alder-bank.localhost.
type Front struct {
	listen string
	rest   http.Handler       // what no farm's host asks for
	page   *template.Template // the list of farms
	log    *slog.Logger

	mu    sync.RWMutex
	hosts map[string]http.Handler
	names map[string]bool // of the farms whose pages are here
}

// NewFront returns a front that serves nothing yet. Rest answers what no farm is asked for.
func NewFront(listen string, rest http.Handler, log *slog.Logger) *Front {
	return &Front{listen: listen, rest: rest, page: template.Must(template.New("farms").Parse(listPage)), log: log, hosts: map[string]http.Handler{}, names: map[string]bool{}}
}

// Listen returns where the front listens.
func (f *Front) Listen() string { return f.listen }

// Mount serves a farm's page under its hosts, the first of which is its name, until it is unmounted. A host that is
// taken is an error.
func (f *Front) Mount(hosts []string, page http.Handler) (unmount func(), err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var mine []string
	for _, h := range hosts {
		if h = strings.ToLower(h); h == "" {
			continue
		}
		if f.hosts[h] != nil {
			return nil, fmt.Errorf("the host %s is another farm's\nhint: give each farm a page.url with a host of its own", h)
		}
		mine = append(mine, h)
	}
	for _, h := range mine {
		f.hosts[h] = page
	}
	name := hosts[0]
	f.names[name] = true
	return sync.OnceFunc(func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		for _, h := range mine {
			delete(f.hosts, h)
		}
		delete(f.names, name)
	}), nil
}

// ServeHTTP hands a request to the farm that it is for.
func (f *Front) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	host := hostOf(r)
	label, _, _ := strings.Cut(host, ".")
	f.mu.RLock()
	page := f.hosts[host]
	if page == nil {
		page = f.hosts[label]
	}
	f.mu.RUnlock()
	if page == nil {
		page = f.rest
		if r.URL.Path == "/" && onThisMachine(r) {
			page = http.HandlerFunc(f.list)
		}
	}
	page.ServeHTTP(w, r)
}

// hostOf returns the host that a request is for.
func hostOf(r *http.Request) string {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(host, "."))
}

// Run serves until ctx is done. Without its port the farms are watched all the same, and it is tried again.
func (f *Front) Run(ctx context.Context) error {
	server := &http.Server{Handler: f, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10}
	for {
		ln, err := net.Listen("tcp", f.listen)
		if err == nil {
			f.log.Info("pages are served", "addr", ln.Addr().String())
			return f.serve(ctx, server, ln)
		}
		f.log.Error("pages cannot be served, watching without them", "err", err)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(30 * time.Second):
		}
	}
}

func (f *Front) serve(ctx context.Context, server *http.Server, ln net.Listener) error {
	stopped := make(chan error, 1)
	unhook := context.AfterFunc(ctx, func() {
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		stopped <- server.Shutdown(grace)
	})
	err := server.Serve(ln)
	if unhook() || !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the pages: %w", err)
	}
	if err := <-stopped; err != nil {
		server.Close()
	}
	return nil
}

// Rest answers what is for no farm: whether all farms are well, and the daemon's figures. The figures, and which farms
// there are, are for who shows the token, or without a token for programs on this machine.
func Rest(metrics http.Handler, token string, health func(context.Context) Health) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /-/healthy", func(w http.ResponseWriter, r *http.Request) {
		h := health(r.Context())
		switch err := h.Err(); {
		case err == nil:
			_, _ = io.WriteString(w, "ok\n")
		case mayKnow(r, token):
			http.Error(w, "not healthy: "+err.Error(), http.StatusServiceUnavailable)
		default:
			http.Error(w, fmt.Sprintf("not healthy: %d of %d farms are not well", len(h.Unwell), h.Farms), http.StatusServiceUnavailable)
		}
	})
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		if !mayKnow(r, token) {
			http.Error(w, "the figures are not for everyone\nhint: start nightwire with --metrics-token-file and send its token as a bearer token", http.StatusForbidden)
			return
		}
		metrics.ServeHTTP(w, r)
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "no farm is watched here under this name", http.StatusNotFound)
	})
	return mux
}

// mayKnow judges who may read figures and names.
func mayKnow(r *http.Request, token string) bool {
	if token != "" {
		given, is := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
		return is && subtle.ConstantTimeCompare([]byte(given), []byte(token)) == 1
	}
	return onThisMachine(r)
}
