package app

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/web"
)

// page is where the farm is shown.
type page struct {
	mu   sync.Mutex
	addr net.Addr // nil while it is not served
}

// listenAgain is how often a taken port is tried again. The watch goes on without its page.
const listenAgain = 30 * time.Second

// openPage starts to serve the page. A port that is taken is said and tried again: the watch is worth more than its page.
func (n *night) openPage(ctx context.Context, s *stack) error {
	if n.opts.Front != nil && n.cfg.Page.Listen == config.DefaultPageListen {
		return n.mountPage(s)
	}
	cfg := n.cfg.Page
	if err := web.CheckListen(cfg.Listen, cfg.Password.Given()); err != nil {
		return err
	}
	site, err := n.site()
	if err != nil {
		return err
	}
	server := &http.Server{
		Handler: site.Handler(), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12},
	}
	server.RegisterOnShutdown(site.Close)
	ln, err := n.listen()
	if err != nil {
		n.log.Error("page cannot be served, watching without it", "err", err)
		n.troubles.set(troublePage, err)
	}
	s.start(ctx, "page", func(ctx context.Context) error { return n.serve(ctx, server, ln) })
	return nil
}

// mountPage has the page served by the listener that farms share.
func (n *night) mountPage(s *stack) error {
	front, cfg := n.opts.Front, n.cfg.Page
	if err := web.CheckListen(front.Listen(), cfg.Password.Given()); err != nil {
		return err
	}
	site, err := n.site()
	if err != nil {
		return err
	}
	hosts := []string{n.cfg.Farm.Name}
	if u, err := url.Parse(cfg.URL); err == nil {
		hosts = append(hosts, u.Hostname())
	}
	unmount, err := front.Mount(hosts, site.Handler())
	if err != nil {
		return err
	}
	s.push(func() error {
		unmount()
		site.Close()
		return nil
	})
	return nil
}

// site makes the page's server, which serves nothing yet.
func (n *night) site() (*web.Server, error) {
	cfg := n.cfg.Page
	shared := n.opts.Shared
	if shared == nil {
		shared = &Shared{}
	}
	look, err := shared.pages()
	if err != nil {
		return nil, err
	}
	return web.New(web.Options{
		Look:     look,
		Overview: n, Actions: n, History: n, Lines: n, Alarms: n, Links: n.signer, Changes: &n.news, Turnouts: n, Upkeeps: n,
		Registerer: n.reg, Metrics: promhttp.HandlerFor(n.reg, promhttp.HandlerOpts{}), Healthy: n.well, Ready: n.ready,
		MetricsToken: cfg.MetricsToken.Reveal(), Password: cfg.Password.Reveal(), Key: n.sessionKey(), SecureCookies: cfg.Secure(),
		Location: n.cfg.Farm.Location, Now: n.shown, Log: n.component("page"),
	})
}

// sessionKey returns a key for the page's sessions that lasts as long as the one for links, so that a restart logs
// nobody out; nil for a new one.
func (n *night) sessionKey() []byte {
	key, err := os.ReadFile(filepath.Join(n.opts.DataDir, linkKeyFile))
	if err != nil {
		return nil
	}
	h := hmac.New(sha256.New, key)
	h.Write([]byte("nightwire sessions 1\n"))
	return h.Sum(nil)
}

// listen takes the page's port.
func (n *night) listen() (net.Listener, error) {
	addr := n.cfg.Page.Listen
	ln, err := net.Listen("tcp", addr)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("the page's address %s is taken\nhint: stop the other program, or set page.listen to another port", addr)
	}
	if err != nil {
		return nil, fmt.Errorf("listen for the page on %s: %w\nhint: set page.listen to an address of this machine", addr, err)
	}
	n.page.mu.Lock()
	n.page.addr = ln.Addr()
	n.page.mu.Unlock()
	return ln, nil
}

// serve serves until ctx is done, and gets a listener first when there is none.
func (n *night) serve(ctx context.Context, server *http.Server, ln net.Listener) error {
	for tick := time.Tick(listenAgain); ln == nil; {
		select {
		case <-ctx.Done():
			return nil
		case <-tick:
		}
		var err error
		if ln, err = n.listen(); err == nil {
			n.troubles.set(troublePage, nil)
			n.log.Info("page is served", "addr", ln.Addr().String())
		}
	}
	stopped := make(chan error, 1)
	unhook := context.AfterFunc(ctx, func() {
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		stopped <- server.Shutdown(grace)
	})
	var err error
	if c := n.cfg.Page; c.CertFile != "" {
		err = server.ServeTLS(ln, n.beside(c.CertFile), n.beside(c.KeyFile))
	} else {
		err = server.Serve(ln)
	}
	if unhook() || !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the page: %w", err)
	}
	if err := <-stopped; err != nil {
		server.Close()
	}
	return nil
}

// addresses says where the watch can be reached.
func (n *night) addresses() Addresses {
	var a Addresses
	n.page.mu.Lock()
	defer n.page.mu.Unlock()
	if n.page.addr != nil {
		scheme := "http"
		if n.cfg.Page.CertFile != "" {
			scheme = "https"
		}
		a.Page = scheme + "://" + n.page.addr.String() + "/"
	}
	if n.feed.broker != nil {
		a.Broker = n.feed.broker.Addr().String()
	}
	return a
}

// running is what others are told of a watch that runs.
type running struct {
	PID     int       `json:"pid"`
	Started time.Time `json:"started"`
	Page    string    `json:"page,omitempty"`
}

// markRunning leaves word in the data folder, for as long as the watch runs.
func (n *night) markRunning(s *stack) error {
	path := filepath.Join(n.opts.DataDir, runningFile)
	data, err := json.Marshal(running{PID: os.Getpid(), Started: time.Now().UTC().Truncate(time.Second), Page: n.addresses().Page})
	if err != nil {
		return err
	}
	s.push(func() error { return os.Remove(path) })
	return writeWhole(path, data)
}
