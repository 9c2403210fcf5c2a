package app

import (
	"context"
	"net"
	"os"
	"strconv"
	"time"
)

// manager tells the service manager how the watch is, by the protocol of sd_notify(3). Without one it says nothing.
type manager struct {
	socket string
	every  time.Duration // how often it wants to hear from us; 0 for never
}

func newManager() manager {
	m := manager{socket: os.Getenv("NOTIFY_SOCKET")}
	if usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64); err == nil && usec > 0 {
		m.every = time.Duration(usec) * time.Microsecond / 2 // as sd_watchdog_enabled(3) advises
	}
	return m
}

// tell sends one line. What cannot be sent is the manager's to miss.
func (m manager) tell(line string) {
	if m.socket == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: m.socket, Net: "unixgram"})
	if err != nil {
		return
	}
	defer conn.Close()
	_, _ = conn.Write([]byte(line))
}

// feed keeps the manager's watchdog quiet for as long as the watch is alive, until ctx is done.
func (m manager) feed(ctx context.Context, alive func(context.Context) error) error {
	if m.socket == "" || m.every <= 0 {
		<-ctx.Done()
		return nil
	}
	tick := time.NewTicker(m.every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if alive(ctx) == nil {
				m.tell("WATCHDOG=1")
			}
		}
	}
}

// TellManager sends a line to the service manager, if there is one, for a program of many watches.
func TellManager(line string) { newManager().tell(line) }

// FeedManager keeps the service manager's watchdog quiet until ctx is done, for a program of many watches, as long as
// alive gives no reason to start it again.
func FeedManager(ctx context.Context, alive func(context.Context) error) {
	_ = newManager().feed(ctx, alive) // it only ends when it is told
}
