package broker

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// as connects under a client ID, as a sensor that keeps a session does.
func as(id string) func(*paho.ClientOptions) {
	return func(o *paho.ClientOptions) { o.SetClientID(id).SetCleanSession(false) }
}

// try is a user who connects under a client ID.
type try struct {
	user, id string
	ok       bool
}

func tries(t *testing.T, b *Broker, all []try) {
	t.Helper()
	for _, try := range all {
		c, err := dial(t, b.Addr(), try.user, "pw", as(try.id))
		if (err == nil) != try.ok {
			t.Errorf("%s as %q: %v, want success %v", try.user, try.id, err, try.ok)
		}
		if err == nil {
			c.Disconnect(100)
		}
	}
}

// TestClientIDsAreTheirOwners has one who holds a good password try all ways to another's client ID, while the other is
// connected, while it is away, and over a restart.
func TestClientIDsAreTheirOwners(t *testing.T) {
	dir := t.TempDir()
	brook := User{Name: "brook", PasswordHash: hash(t, "pw"), Publish: []string{"farm/brook"}}
	hazel := User{Name: "hazel", PasswordHash: hash(t, "pw"), Publish: []string{"farm/hazel"}}
	hazel2 := User{Name: "hazel-2", PasswordHash: hash(t, "pw"), Publish: []string{"farm/hazel-2"}}
	t.Run("connected", func(t *testing.T) {
		rec := &recorder{}
		b := startBroker(t, Options{StoreDir: dir, Users: []User{brook, hazel, hazel2}, Log: slog.New(rec)})
		lost := make(chan error, 10)
		stays := func(o *paho.ClientOptions) {
			o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
		}
		daemon := mustDial(t, b.Addr(), b.Login().User, b.Login().Password, as(b.Login().ClientID), stays)
		got := collect(t, daemon, "farm/#", 1)
		named := mustDial(t, b.Addr(), "hazel", "pw", as("hazel"), stays)
		free := mustDial(t, b.Addr(), "hazel", "pw", as("board-12"), stays)
		tries(t, b, []try{
			{"brook", "hazel", false}, {"brook", "board-12", false}, {"brook", b.Login().ClientID, false},
			{"brook", "hazel-9", false}, {"hazel", "hazel-2", false}, {"hazel-2", "hazel", false}, {"hazel-2", "hazel-2-b", true},
			{"brook", "brook", true}, {"brook", "brook-b", true}, {"brook", "board-7", true}, {"brook", "board-7", true},
			{"hazel", "board-7", false}, {"brook", "hazelnut", true},
		})
		for _, c := range []paho.Client{named, free} {
			if err := wait(c.Publish("farm/hazel", 1, false, "1")); err != nil {
				t.Fatal(err)
			}
			if s := next(t, got); s != "farm/hazel 1" {
				t.Errorf("got %q", s)
			}
		}
		select {
		case err := <-lost:
			t.Errorf("one was thrown off: %v", err)
		default:
		}
		if n := rec.count("client refused", slog.LevelWarn); n == 0 || n > 5 {
			t.Errorf("%d lines about what was refused, want a few", n)
		}
	})
	t.Run("away, after a restart", func(t *testing.T) {
		b := startBroker(t, Options{StoreDir: dir, Users: []User{brook, hazel}})
		tries(t, b, []try{{"brook", "board-12", false}, {"hazel", "board-7", false}, {"hazel", "board-12", true}, {"brook", "hazel-2", false}})
	})
	t.Run("after a new password", func(t *testing.T) {
		again := hazel
		again.PasswordHash = hash(t, "pw")
		b := startBroker(t, Options{StoreDir: dir, Users: []User{brook, again}})
		tries(t, b, []try{{"brook", "board-12", true}, {"brook", "hazel", false}, {"hazel", "board-12", false}})
	})
}

// TestMadeUpClientIDsAreBounded has a client make up an ID each time that it connects.
func TestMadeUpClientIDsAreBounded(t *testing.T) {
	dir := t.TempDir()
	brook := User{Name: "brook", PasswordHash: hash(t, "pw")}
	hazel := User{Name: "hazel", PasswordHash: hash(t, "pw")}
	b := startBroker(t, Options{StoreDir: dir, Users: []User{brook, hazel}})
	for i := range 3 * maxClaims {
		mustDial(t, b.Addr(), "brook", "pw", as("board-"+strconv.Itoa(i))).Disconnect(100)
	}
	mustDial(t, b.Addr(), "hazel", "pw", as("board-0"))
	if _, err := dial(t, b.Addr(), "hazel", "pw", as("board-"+strconv.Itoa(3*maxClaims-1))); err == nil {
		t.Error("the newest ID was given to another")
	}
	var kept claims
	data, err := os.ReadFile(filepath.Join(dir, claimsFile))
	if err == nil {
		err = json.Unmarshal(data, &kept)
	}
	if err != nil || len(kept[brook.PasswordHash]) != maxClaims || len(kept[hazel.PasswordHash]) != 1 {
		t.Errorf("kept are %v (%v), want %d and 1", kept, err, maxClaims)
	}
}

// TestBrokenClaimsKeepNobodyOut starts with a file that says nothing.
func TestBrokenClaimsKeepNobodyOut(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, claimsFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := startBroker(t, Options{StoreDir: dir, Users: []User{{Name: "brook", PasswordHash: hash(t, "pw")}}})
	mustDial(t, b.Addr(), "brook", "pw", as("board-1"))
}
