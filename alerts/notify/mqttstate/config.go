package mqttstate

import (
	"errors"
	"strings"
)

// Config says where the state is published.
type Config struct {
	Topic string // such as "alder-bank/state"; everything else is below it

	// Discovery is the prefix under which home automation looks for devices, such as "homeassistant". Empty publishes
	// nothing there.
	Discovery string
}

func (c Config) check() (Config, error) {
	c.Topic = strings.Trim(c.Topic, "/")
	if c.Topic == "" || strings.ContainsAny(c.Topic, "+#\x00") {
		return c, errors.New("the state topic is empty, or has + or # in it\nhint: write it as alder-bank/state")
	}
	c.Discovery = strings.Trim(c.Discovery, "/")
	if strings.ContainsAny(c.Discovery, "+#\x00") {
		return c, errors.New("the discovery prefix has + or # in it\nhint: write it as homeassistant")
	}
	return c, nil
}
