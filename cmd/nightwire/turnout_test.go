package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strconv"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rogpeppe/go-internal/testscript"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/control"
)

// sensed publishes ten readings with stamps of the last ten minutes, one a minute: sensed PORT TOPIC KV.
func sensed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: sensed PORT TOPIC KV")
	}
	kv, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://127.0.0.1:" + args[0]).SetClientID("sensed-" + args[1]))
	tok := c.Connect()
	if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		ts.Fatalf("connect: %v", tok.Error())
	}
	defer c.Disconnect(250)
	for k := range 10 {
		at := time.Now().Add(time.Duration(k-10)*time.Minute + 30*time.Second)
		tok := c.Publish(args[1], 1, false, fmt.Sprintf(`{"kv":%.3f,"t":%d}`, kv+0.01*float64(k%3-1), at.UnixMilli()))
		if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
			ts.Fatalf("publish: %v", tok.Error())
		}
	}
}

// waitStored waits until a watch has stored so many readings: waitstored PAGEPORT COUNT.
func waitStored(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: waitstored PAGEPORT COUNT")
	}
	page, err := strconv.Atoi(args[0])
	ts.Check(err)
	want, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	end := time.After(scriptWait)
	for tick := time.Tick(50 * time.Millisecond); ; {
		got := metric(page, "nightwire_readings_stored_total")
		if got >= want {
			return
		}
		select {
		case <-tick:
		case <-end:
			ts.Fatalf("%g readings are stored, want %g", got, want)
		}
	}
}

// answer answers the last test message, as somebody who presses the button in it: answer DATA NAME.
func answer(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: answer DATA NAME")
	}
	ctx, cancel := context.WithTimeout(context.Background(), scriptWait)
	defer cancel()
	dir := ts.MkAbs(args[0])
	last, err := app.LastTest(ctx, dir)
	ts.Check(err)
	if last.ID == "" {
		ts.Fatalf("no test has been sent")
	}
	ts.Check(control.Act(ctx, dir, alerts.Action{Kind: alerts.Acknowledge, Alarm: last.ID, By: args[1]}))
}

var formToken = regexp.MustCompile(`name="token" value="([^"]+)"`)

// pressKeep presses the button of the turnout page for a zone, without a script, and looks at what the page then says:
// presskeep PAGEPORT ZONE REGEXP.
func pressKeep(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: presskeep PAGEPORT ZONE REGEXP")
	}
	jar, err := cookiejar.New(nil)
	ts.Check(err)
	c := &http.Client{Jar: jar, Timeout: scriptWait}
	page := "http://127.0.0.1:" + args[0] + "/turnout"
	read := func(res *http.Response, err error) string {
		ts.Check(err)
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		ts.Check(err)
		return string(text)
	}
	m := formToken.FindStringSubmatch(read(c.Get(page + "?zone=" + args[1])))
	if m == nil {
		ts.Fatalf("there is no form on %s", page)
	}
	after := read(c.PostForm(page, url.Values{"token": {m[1]}, "zone": {args[1]}}))
	if !regexp.MustCompile(args[2]).MatchString(after) {
		ts.Fatalf("the page does not say %q:\n%s", args[2], after)
	}
}
