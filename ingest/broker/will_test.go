package broker

import (
	"net"
	"net/url"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// TestWillStaysWithinPermissions has a sensor leave a last will on its own topic, and on another's.
func TestWillStaysWithinPermissions(t *testing.T) {
	b := startBroker(t, Options{Users: []User{{Name: "brook", PasswordHash: hash(t, "pw"), Publish: []string{"farm/brook"}}}})
	daemon := mustDial(t, b.Addr(), b.Login().User, b.Login().Password)
	got := collect(t, daemon, "farm/#", 1)
	for _, tt := range []struct {
		topic  string
		retain bool
	}{{"farm/hazel", false}, {"farm/hazel", true}, {"farm/brook", false}} {
		var conn net.Conn
		_, err := dial(t, b.Addr(), "brook", "pw", func(o *paho.ClientOptions) {
			o.SetWill(tt.topic, "gone", 1, tt.retain)
			o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
				var err error
				conn, err = net.Dial("tcp", u.Host)
				return conn, err
			})
		})
		if err == nil {
			conn.Close()
		}
	}
	if s := next(t, got); s != "farm/brook gone" {
		t.Errorf("got %q, want only the will on its own topic", s)
	}
	late := collect(t, mustDial(t, b.Addr(), b.Login().User, b.Login().Password, as("late")), "farm/hazel", 1)
	if err := wait(daemon.Publish("farm/hazel", 1, false, "end")); err != nil {
		t.Fatal(err)
	}
	for _, ch := range []<-chan string{late, got} {
		if s := next(t, ch); s != "farm/hazel end" {
			t.Errorf("a will on another's topic came through: %q", s)
		}
	}
}
