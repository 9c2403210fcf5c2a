package mqtt

import "time"

// Hasten makes the pauses of a client short enough for a test.
func (c *Client) Hasten() {
	c.retry = pause{time.Millisecond, 20 * time.Millisecond}
	c.link.pause = pause{time.Millisecond, 50 * time.Millisecond}
}

// Reconnect asks for a new connection.
func (c *Client) Reconnect() { c.link.reconnect() }

// Hasten makes the pauses of a live client short enough for a test.
func (l *Live) Hasten() { l.link.pause = pause{time.Millisecond, 50 * time.Millisecond} }

func msTime(ms int64) time.Time { return time.UnixMilli(ms) }
