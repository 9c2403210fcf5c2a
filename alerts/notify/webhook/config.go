package webhook

import (
	"errors"
	"time"
)

// Config says how posted messages are signed. The addresses are people's own.
type Config struct {
	Secret string // shared with the receivers
	// Now is the clock that stamps requests; default time.Now.
	Now func() time.Time
}

func (c Config) check() (Config, error) {
	if len(c.Secret) < 16 {
		return c, errors.New("the webhook secret is shorter than 16 characters\nhint: make one with openssl rand -hex 32")
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	return c, nil
}
