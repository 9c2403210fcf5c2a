package farms

import (
	"context"
	"errors"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func well(context.Context) Health { return Health{Farms: 3} }

// unwell sets what a watch says of itself; empty for well.
func (f *fold) unwell(name, why string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	was := f.judge
	f.judge = func(asked string) error {
		switch {
		case asked != name && was != nil:
			return was(asked)
		case asked != name || why == "":
			return nil
		}
		return errors.New(why)
	}
}

// times returns how often a farm's watch was begun.
func (f *fold) times(name string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.begun[name]
}

// health checks what is said of all farms, and whether the daemon is to be started again.
func (f *fold) health(when, want string, alive bool) {
	f.t.Helper()
	synctest.Wait()
	got := ""
	if err := f.keeper.Health(context.Background(), false).Err(); err != nil {
		got = err.Error()
	}
	if got != want {
		f.t.Errorf("%s: health is %q, want %q", when, got, want)
	}
	if err := f.keeper.Alive(context.Background()); (err == nil) != alive {
		f.t.Errorf("%s: alive is %v, want %v", when, err, alive)
	}
}

// TestHealthNamesWhoIsUnwell takes farms' health away and gives it back: one that is unwell is named and has its own
// watch started again, and the daemon goes on for the others.
func TestHealthNamesWhoIsUnwell(t *testing.T) {
	f := newFold(t)
	f.judge = func(string) error { return nil }
	f.write("ash.yaml", farmText("ash"))
	f.write("birch.yaml", farmText("birch"))
	f.run(func() {
		f.health("at the start", "", true)
		f.unwell("ash", "no channel works: [mail]")
		f.health("one is unwell", "1 of 2 farms are not well: ash: no channel works: [mail]", true)
		if f.wait(patience - DefaultEvery); f.times("ash") != 1 {
			t.Error("a watch was started again too early")
		}
		if f.wait(3 * DefaultEvery); f.times("ash") != 2 || f.times("birch") != 1 {
			t.Errorf("unwell for long: ash was begun %d times and birch %d, want 2 and 1", f.times("ash"), f.times("birch"))
		}
		f.unwell("birch", "the watch has not gone round for 2m")
		f.health("all are unwell", "2 of 2 farms are not well: ash: no channel works: [mail]; birch: the watch has not gone round for 2m", false)
		f.unwell("ash", "")
		f.health("one mended", "1 of 2 farms are not well: birch: the watch has not gone round for 2m", true)
		f.unwell("birch", "")
		f.health("both mended", "", true)
		f.write("cherry.yaml", "farm: [")
		f.looks(1)
		f.health("a file is broken", "1 of 3 farms are not well: cherry.yaml: the file is broken, its farm is not watched", true)
		f.write("ash.yaml", "farm: [")
		f.looks(1)
		f.health("a file that was whole is broken", "1 of 3 farms are not well: cherry.yaml: the file is broken, its farm is not watched", true)
		f.unwell("ash", "deaf")
		f.unwell("birch", "deaf")
		f.health("a broken file and nobody well", "3 of 3 farms are not well: ash: deaf; birch: deaf; cherry.yaml: the file is broken, its farm is not watched", false)
	})
}

// TestHealthOfWatchesThatEnd has one end over and over, and one that never gets to the end of its start.
func TestHealthOfWatchesThatEnd(t *testing.T) {
	f := newFold(t)
	for _, name := range []string{"ash", "birch", "cherry"} {
		f.write(name+".yaml", farmText(name))
	}
	f.behave = func(name string) error {
		switch name {
		case "ash":
			return errors.New("the disk is full")
		case "birch":
			<-f.hold
		}
		return nil
	}
	f.run(func() {
		f.health("at the start", "1 of 3 farms are not well: ash: its watch ended, and is started again: the disk is full", true)
		if err := f.keeper.Health(context.Background(), true).Err(); err == nil || !strings.Contains(err.Error(), "birch: it is starting") {
			t.Errorf("to those outside a start is news: %v", err)
		}
		f.wait(startLate)
		f.wait(DefaultEvery)
		f.health("later", "2 of 3 farms are not well: ash: its watch ended, and is started again: the disk is full; birch: it has not started for 10m10s", true)
		close(f.hold)
		f.health("started", "1 of 3 farms are not well: ash: its watch ended, and is started again: the disk is full", true)
	})
}

// TestHealthOfAKeeperThatIsStuck has a watch that does not end when its farm is gone: the keeper goes on for the others,
// and says so.
func TestHealthOfAKeeperThatIsStuck(t *testing.T) {
	f := newFold(t)
	f.write("ash.yaml", farmText("ash"))
	f.write("birch.yaml", farmText("birch"))
	f.behave = func(name string) error {
		if name == "ash" {
			<-f.hold // whatever it is told
		}
		return nil
	}
	f.run(func() {
		share := "birch cherry"
		f.keeper.opts.Mine = func(name string) bool { return strings.Contains(share, name) }
		f.shifted <- struct{}{}
		f.write("cherry.yaml", farmText("cherry"))
		f.wait(endLate + 3*DefaultEvery)
		f.want("one does not end", "ash birch cherry")
		f.health("one does not end", "1 of 3 farms are not well: ash: its watch here is to end and does not", true)
		close(f.hold)
		f.looks(5)
		f.health("it has ended", "", true)
	})
}

// TestSettleWaitsForAStart waits until every farm is well, and no longer than a start may take.
func TestSettleWaitsForAStart(t *testing.T) {
	f := newFold(t)
	f.write("ash.yaml", farmText("ash"))
	f.unwell("ash", "deaf")
	f.run(func() {
		settled := make(chan time.Duration, 2)
		settle := func() {
			began := time.Now()
			f.keeper.Settle(context.Background())
			settled <- time.Since(began)
		}
		go settle()
		f.wait(time.Minute)
		f.unwell("ash", "")
		if took := <-settled; took < time.Minute || took > time.Minute+2*time.Second {
			t.Errorf("settled after %v, want when all were well", took)
		}
		f.unwell("ash", "deaf")
		go settle()
		if took := <-settled; took < startLate || took > startLate+2*time.Second {
			t.Errorf("gave up after %v, want %v", took, startLate)
		}
	})
}

// TestHealthyTellsWhoMayKnow asks the daemon's own page, from here and from elsewhere.
func TestHealthyTellsWhoMayKnow(t *testing.T) {
	sick := func(context.Context) Health {
		return Health{Farms: 9, Unwell: map[string]error{"ash": errors.New("no channel works\nhint: see the settings")}}
	}
	many := func(context.Context) Health {
		h := Health{Farms: 9, Unwell: map[string]error{}}
		for _, name := range strings.Split("a b c d e f g", " ") {
			h.Unwell[name] = errors.New("deaf")
		}
		return h
	}
	stuck := func(context.Context) Health { return Health{Farms: 9, Stuck: errors.New("not looked at")} }
	for _, c := range []struct {
		name, peer string
		health     func(context.Context) Health
		want       string
	}{
		{"well", "192.0.2.7:9", well, "200 ok\n"},
		{"to this machine", "127.0.0.1:9", sick, "503 not healthy: 1 of 9 farms are not well: ash: no channel works, hint: see the settings\n"},
		{"to a stranger", "192.0.2.7:9", sick, "503 not healthy: 1 of 9 farms are not well\n"},
		{"many", "127.0.0.1:9", many, "503 not healthy: 7 of 9 farms are not well: a: deaf; b: deaf; c: deaf; d: deaf; e: deaf; and 2 more\n"},
		{"stuck", "127.0.0.1:9", stuck, "503 not healthy: not looked at\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest("GET", "/-/healthy", nil)
			r.RemoteAddr, r.Host = c.peer, "127.0.0.1:8480"
			w := httptest.NewRecorder()
			Rest(nil, "", c.health).ServeHTTP(w, r)
			if got := strings.TrimSpace(w.Result().Status[:3]) + " " + w.Body.String(); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}
