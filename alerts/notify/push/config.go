package push

import (
	"fmt"
	"net/url"
	"strings"
)

// Config says by which server messages are pushed. The topic is each person's own, and as good as a password.
type Config struct {
	Server string // such as https://push.example.org
	Token  string // access token at the server; empty where none is needed
}

func (c Config) check() (Config, error) {
	u, err := url.Parse(c.Server)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return c, fmt.Errorf("push server %q is not an address\nhint: write it as https://push.example.org", c.Server)
	}
	c.Server = strings.TrimRight(c.Server, "/")
	return c, nil
}
