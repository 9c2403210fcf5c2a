package main

import (
	"net"
	"os"
	"regexp"
	"strconv"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"nightwire": mainOrRehearsal, "bare-subscriber": bareSubscriber})
}

// TestScripts runs the binary as people do: every command, every exit code, every refusal.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script", RequireExplicitExec: true, RequireUniqueNames: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"waitfor": waitFor, "retain": retain, "freeport": freePort(t), "occupy": occupy,
			"sensed": sensed, "waitstored": waitStored, "answer": answer, "presskeep": pressKeep,
			"clock": setClock, "live": live, "backlog": keptBack, "hook": hook,
		},
	})
}

// scriptWait bounds what a script waits for.
const scriptWait = time.Minute

// waitFor waits until a file has text that matches: waitfor FILE REGEXP.
func waitFor(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: waitfor FILE REGEXP")
	}
	re := regexp.MustCompile(args[1])
	end := time.After(scriptWait)
	for tick := time.Tick(50 * time.Millisecond); ; {
		data, _ := os.ReadFile(ts.MkAbs(args[0])) // it may not be there yet
		if re.Match(data) {
			return
		}
		select {
		case <-tick:
		case <-end:
			ts.Fatalf("%s never had %q:\n%s", args[0], args[1], data)
		}
	}
}

// retain publishes a retained message: retain PORT TOPIC PAYLOAD.
func retain(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: retain PORT TOPIC PAYLOAD")
	}
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://127.0.0.1:" + args[0]))
	for _, tok := range []func() paho.Token{c.Connect, func() paho.Token { return c.Publish(args[1], 1, true, args[2]) }} {
		if tok := tok(); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
			ts.Fatalf("publish to %s: %v", args[1], tok.Error())
		}
	}
	c.Disconnect(0)
}

// freePort sets a variable to a port that nobody listens on: freeport NAME.
func freePort(t *testing.T) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		ts.Setenv(variable(ts, neg, args), strconv.Itoa(port(t)))
	}
}

// occupy sets a variable to a port that is taken until the script ends: occupy NAME.
func occupy(ts *testscript.TestScript, neg bool, args []string) {
	ln := listen(ts, neg, args)
	ts.Defer(func() { ln.Close() })
}

func listen(ts *testscript.TestScript, neg bool, args []string) net.Listener {
	name := variable(ts, neg, args)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	ts.Setenv(name, strconv.Itoa(ln.Addr().(*net.TCPAddr).Port))
	return ln
}

// variable returns the name of the one variable that a command is given.
func variable(ts *testscript.TestScript, neg bool, args []string) string {
	if neg || len(args) != 1 {
		ts.Fatalf("give the name of one variable")
	}
	return args[0]
}
