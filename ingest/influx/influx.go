// Package influx copies readings to a time series server that takes InfluxDB's v2 writes, and reads them back.
//
// The copy follows a backlog that outlasts any outage: a reading is Taken only after the server took it, so an outage
// costs nothing but delay, and one that is written twice is the same point. Whether the server is well is told by the
// write alone, because health, ready and ping answer differently at each kind of server. Histories come back by Flux
// (InfluxDB) or by PromQL (VictoriaMetrics, single or as a cluster).
package influx

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	service "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// Language is in what the server is asked.
type Language string

// The languages of Config.Query.
const (
	Flux   Language = "flux"   // InfluxDB's, at <url>/api/v2/query
	PromQL Language = "promql" // Prometheus', at <url>/api/v1/query and query_range
)

// Config says where the server is. URL and Bucket are required.
type Config struct {
	URL         string // writes go to <URL>/api/v2/write; it may have a path, as http://host:8480/insert/0/influx
	QueryURL    string // empty for URL; as http://host:8481/select/0/prometheus
	Query       Language
	Org         string
	Bucket      string
	Token       string
	Measurement string // of all points; DefaultMeasurement when empty
}

// DefaultMeasurement is the name under which points are written.
const DefaultMeasurement = "fence"

const (
	writeTimeout = 20 * time.Second
	queryTimeout = 20 * time.Second
)

// Client writes to a server and reads from it.
type Client struct {
	cfg   Config
	write api.WriteAPIBlocking
	query api.QueryAPI // of Flux
	http  *http.Client // for what is read
	wire  *http.Client // for what is written
	dials atomic.Int64 // connections made to write so far: a new one may lead to a server that was started anew
}

// New checks the settings. It connects to nothing.
func New(cfg Config) (*Client, error) {
	if cfg.URL == "" || cfg.Bucket == "" {
		return nil, errors.New("a mirror needs URL and Bucket")
	}
	if cfg.Query == "" {
		cfg.Query = Flux
	}
	if cfg.Query != Flux && cfg.Query != PromQL {
		return nil, fmt.Errorf("a mirror cannot be asked in %q", cfg.Query)
	}
	if cfg.QueryURL == "" {
		cfg.QueryURL = cfg.URL
	}
	if cfg.Measurement == "" {
		cfg.Measurement = DefaultMeasurement
	}
	transport := http.DefaultTransport.(*http.Transport)
	c := &Client{cfg: cfg, http: &http.Client{Transport: transport.Clone()}, wire: &http.Client{Transport: transport.Clone()}}
	c.dialBy(transport.DialContext)
	c.write = api.NewWriteAPIBlocking(cfg.Org, cfg.Bucket, c.service(cfg.URL, service.DefaultOptions().SetHTTPClient(c.wire)),
		write.DefaultOptions().SetPrecision(time.Millisecond).SetUseGZip(true))
	c.query = api.NewQueryAPI(cfg.Org, c.service(cfg.QueryURL, service.DefaultOptions().SetHTTPClient(c.http)))
	return c, nil
}

// dialBy says how connections to write are made, and counts them.
func (c *Client) dialBy(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	c.wire.Transport.(*http.Transport).DialContext = func(ctx context.Context, network, address string) (net.Conn, error) {
		c.dials.Add(1)
		return dial(ctx, network, address)
	}
}

// service is built without the library's own client, which sets a log level for the whole program.
func (c *Client) service(url string, options *service.Options) service.Service {
	return service.NewService(strings.TrimSuffix(url, "/")+"/", c.authorization(), options)
}

func (c *Client) authorization() string {
	if c.cfg.Token == "" {
		return ""
	}
	return "Token " + c.cfg.Token
}

// Close lets go of idle connections.
func (c *Client) Close() {
	c.http.CloseIdleConnections()
	c.wire.CloseIdleConnections()
}

// unreached says what went wrong on the way to an address, and of the address no more than its host: what stands behind
// it may be a secret.
func (c *Client) unreached(doing, address string, err error) error {
	host, secrets := "an unreadable address", []string{c.cfg.Token}
	if u, bad := url.Parse(address); bad == nil {
		host, secrets = u.Host, append(secrets, u.RawQuery, strings.Trim(u.Path, "/"))
	}
	if in := (*url.Error)(nil); errors.As(err, &in) {
		err = in.Err // itself it would show the whole address
	}
	return fmt.Errorf("%s %s: %w", doing, host, hush(err, secrets))
}

// hushed is an error without the secrets that a server repeated in its answer.
type hushed struct {
	error
	text string
}

// Error returns what may be shown.
func (h hushed) Error() string { return h.text }

// Unwrap returns the error as it came, to be told by its kind.
func (h hushed) Unwrap() error { return h.error }

func hush(err error, secrets []string) error {
	text := err.Error()
	for _, s := range secrets {
		if s != "" {
			text = strings.ReplaceAll(text, s, "***")
		}
	}
	return hushed{err, text}
}
