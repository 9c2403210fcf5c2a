package mqtt

import (
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestBufferedConnSendsTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		defer far.Close()
		c := newBufferedConn(near)
		for _, s := range []string{"one ", "two ", "three"} {
			if n, err := c.Write([]byte(s)); n != len(s) || err != nil {
				t.Fatalf("Write gave %d, %v", n, err)
			}
		}
		buf := make([]byte, 100) // a pipe hands over one Write per Read
		n, err := far.Read(buf)
		if err != nil || string(buf[:n]) != "one two three" {
			t.Errorf("read %q, %v", buf[:n], err)
		}
		if _, err := c.Write([]byte("last")); err != nil {
			t.Fatal(err)
		}
		go c.Close()
		if rest, err := io.ReadAll(far); string(rest) != "last" || err != nil {
			t.Errorf("after Close read %q, %v", rest, err)
		}
		if _, err := c.Write([]byte(strings.Repeat("x", writeBuffer))); err == nil {
			t.Error("writing to a closed connection gave no error")
		}
	})
}

func TestBufferedConnDoesNotHangOnADeafPeer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		defer far.Close()
		c := newBufferedConn(near)
		start := time.Now()
		_, err := c.Write([]byte(strings.Repeat("x", writeBuffer)))
		if err == nil {
			t.Error("no error although nobody reads")
		}
		if d := time.Since(start); d != writeTimeout {
			t.Errorf("gave up after %s, want %s", d, writeTimeout)
		}
		if _, err := c.Read(make([]byte, 1)); err == nil {
			t.Error("the connection is still open for reading")
		}
	})
}
