package mqttstate

import (
	"errors"
	"strings"
)

// Config says where the state is published.
type Config struct {
	Topic string // such as "alder-bank/state"; everything else is below it
}

func (c Config) check() (Config, error) {
	c.Topic = strings.Trim(c.Topic, "/")
	if c.Topic == "" || strings.ContainsAny(c.Topic, "+#\x00") {
		return c, errors.New("the state topic is empty, or has + or # in it\nhint: write it as alder-bank/state")
	}
	return c, nil
}
