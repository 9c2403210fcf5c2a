package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// box is an outbox in memory.
type box struct {
	mu      sync.Mutex
	waiting []alerts.Message
	done    map[string]alerts.Delivery
	lose    bool // Settle forgets what it is told, as a crash before it would
}

var _ Outbox = (*box)(nil)

func (b *box) put(ms ...alerts.Message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.waiting = append(b.waiting, ms...)
}

func (b *box) Pending() []alerts.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.waiting)
}

func (b *box) Settle(_ context.Context, ds ...alerts.Delivery) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.lose {
		return errors.New("lost")
	}
	if b.done == nil {
		b.done = map[string]alerts.Delivery{}
	}
	for _, d := range ds {
		b.done[d.Key] = d
		i := slices.IndexFunc(b.waiting, func(m alerts.Message) bool { return m.Key == d.Key })
		if i < 0 {
			continue
		}
		if d.Outcome == alerts.Pending {
			b.waiting[i].Tries, b.waiting[i].NextTry = d.Tries, d.NextTry
		} else {
			b.waiting = slices.Delete(b.waiting, i, i+1)
		}
	}
	return nil
}

func (b *box) outcome(key string) alerts.Outcome {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.done[key].Outcome
}

// sendFunc is a channel that is a function.
type sendFunc func(ctx context.Context, m alerts.Message) (bool, error)

func (f sendFunc) Send(ctx context.Context, m alerts.Message) (bool, error) { return f(ctx, m) }

// takes is a channel that takes everything and remembers when.
type takes struct {
	mu    sync.Mutex
	begin time.Time
	got   []string
	links []string
}

func (c *takes) Send(_ context.Context, m alerts.Message) (bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.got = append(c.got, fmt.Sprintf("%s %s", time.Since(c.begin), m.Key))
	c.links = append(c.links, m.Link)
	return false, nil
}

func letter(key, person, channel string, kind alerts.MessageKind, ids ...string) alerts.Message {
	m := alerts.Message{Key: key, Kind: kind, Person: person, Route: farm.Route{Channel: channel, Address: person}, Created: time.Now(), Answers: true}
	for _, id := range ids {
		m.Alarms = append(m.Alarms, alerts.Event{ID: id})
	}
	return m
}

// run starts a sender in the bubble of a synctest and returns a function that ends it.
func run(t *testing.T, o SenderOptions) (s *Sender, stop func()) {
	t.Helper()
	o.Chance = func() float64 { return 0.5 } // no jitter
	s, err := NewSender(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := s.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	return s, func() { cancel(); <-done }
}

// pass lets time go by in the bubble.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func TestSends(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, ch := &box{}, &takes{begin: time.Now()}
		s, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
		defer stop()
		pass(time.Second)
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"), letter("b", "Orla", "mail", alerts.TellUpdated, "x"), letter("c", "Bram", "mail", alerts.TellRaised, "x"))
		s.Wake()
		s.Wake()
		pass(time.Second)
		slices.Sort(ch.got)
		if diff := cmp.Diff([]string{"1s a", "1s b", "1s c"}, ch.got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
		if n := len(b.Pending()); n != 0 {
			t.Errorf("%d still wait", n)
		}
	})
}

func TestBacksOffAndTakesItInTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, begin := &box{}, time.Now()
		var tries []string
		var trouble []string
		ch := sendFunc(func(context.Context, alerts.Message) (bool, error) {
			since := time.Since(begin)
			tries = append(tries, since.String())
			if since < 20*time.Minute {
				return true, errors.New("no answer")
			}
			return false, nil
		})
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"))
		s, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch},
			Trouble: func(c string, since time.Time, err error) {
				trouble = append(trouble, fmt.Sprint(c, " ", time.Since(begin), " since ", since.Sub(begin), " ", err))
			}})
		defer stop()
		pass(time.Minute)
		if since := s.Failing()["mail"]; !since.Equal(begin) {
			t.Errorf("failing since %s, want %s", since, begin)
		}
		pass(time.Hour)
		want := []string{"0s", "5s", "15s", "35s", "1m15s", "2m35s", "5m15s", "10m15s", "15m15s", "20m15s"}
		if diff := cmp.Diff(want, tries); diff != "" {
			t.Errorf("tries (-want +got):\n%s", diff)
		}
		wantTrouble := []string{"mail 15m0s since 0s no answer", "mail 20m15s since 0s <nil>"}
		if diff := cmp.Diff(wantTrouble, trouble); diff != "" {
			t.Errorf("trouble (-want +got):\n%s", diff)
		}
		if len(s.Failing()) != 0 || b.outcome("a") != alerts.Taken {
			t.Errorf("failing %v, outcome %s", s.Failing(), b.outcome("a"))
		}
	})
}

func TestRestartInTheMiddleOfRetries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, begin := &box{}, time.Now()
		var tries []string
		ch := sendFunc(func(context.Context, alerts.Message) (bool, error) {
			tries = append(tries, time.Since(begin).String())
			return true, errors.New("no answer")
		})
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"))
		for range 3 { // it is not tried at once at each start: the outbox knows when the next is due
			_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
			pass(20 * time.Second)
			stop()
		}
		if diff := cmp.Diff([]string{"0s", "5s", "15s", "35s"}, tries); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

func TestCrashBetweenSendingAndWritingDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{lose: true}
		var got []string
		ch := sendFunc(func(_ context.Context, m alerts.Message) (bool, error) {
			got = append(got, m.Key)
			return false, nil
		})
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"))
		s, err := NewSender(SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
		if err != nil {
			t.Fatal(err)
		}
		s.attempt(t.Context(), b.Pending()[0]) // sent, and then the program is gone
		b.lose = false
		_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
		pass(time.Hour)
		stop()
		if diff := cmp.Diff([]string{"a", "a"}, got); diff != "" { // under one key, so that the receiver can tell
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

func TestHangingChannelHoldsUpNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, well := &box{}, &takes{begin: time.Now()}
		hangs := sendFunc(func(ctx context.Context, m alerts.Message) (bool, error) {
			if m.Person == "Bram" {
				return false, nil // his address on the same channel works
			}
			<-ctx.Done()
			return true, ctx.Err()
		})
		s, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": hangs, "push": well}})
		defer stop()
		for i := range 10 {
			b.put(letter(fmt.Sprint("m", i), "Orla", "mail", alerts.TellRaised, fmt.Sprint(i)), letter(fmt.Sprint("p", i), "Orla", "push", alerts.TellRaised, "x"))
		}
		b.put(letter("bram", "Bram", "mail", alerts.TellRaised, "x"))
		s.Wake()
		pass(time.Second)
		if len(well.got) != 10 {
			t.Errorf("push took %d, want 10", len(well.got))
		}
		for _, g := range well.got {
			if !strings.HasPrefix(g, "0s ") {
				t.Errorf("push took %q, want no delay", g)
			}
		}
		if b.outcome("bram") != alerts.Taken {
			t.Error("Bram's mail waited for Orla's")
		}
	})
}

func TestRefusedForGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		var trouble []string
		ch := sendFunc(func(_ context.Context, m alerts.Message) (bool, error) {
			if m.Person == "Bram" {
				return false, nil
			}
			return false, errors.New("no such user")
		})
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"))
		s, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch},
			Trouble: func(c string, _ time.Time, err error) { trouble = append(trouble, fmt.Sprint(c, ": ", err)) }})
		defer stop()
		pass(time.Hour)
		if len(s.Failing()) != 0 {
			t.Errorf("failing %v: a refusal is an answer", s.Failing())
		}
		b.put(letter("b", "Bram", "mail", alerts.TellRaised, "x"))
		s.Wake()
		pass(time.Second)
		if d := b.done["a"]; d.Outcome != alerts.Refused || d.Err != "no such user" || d.Tries != 1 {
			t.Errorf("got %+v", d)
		}
		if diff := cmp.Diff([]string{"mail: no such user", "mail: <nil>"}, trouble); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

func TestAskedToWait(t *testing.T) {
	for _, tt := range []struct {
		name  string
		asked time.Duration
		want  string
	}{
		{"longer than ours", 90 * time.Second, "1m30s"},
		{"shorter than ours", time.Second, "5s"},
		{"absurdly long", 1000 * time.Hour, "1h0m0s"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b, begin := &box{}, time.Now()
				var second string
				n := 0
				ch := sendFunc(func(context.Context, alerts.Message) (bool, error) {
					if n++; n == 1 {
						return true, fmt.Errorf("push: %w", &alerts.RetryAfterError{After: tt.asked, Err: errors.New("busy")})
					}
					second = time.Since(begin).String()
					return false, nil
				})
				b.put(letter("a", "Orla", "push", alerts.TellRaised, "x"))
				_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"push": ch}})
				defer stop()
				pass(2 * time.Hour)
				if second != tt.want {
					t.Errorf("tried again after %s, want %s", second, tt.want)
				}
			})
		})
	}
}

func TestPanicIsAFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		ch := sendFunc(func(context.Context, alerts.Message) (bool, error) { panic("boom") })
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"), letter("n", "Orla", "pigeon", alerts.TellRaised, "x"))
		_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
		defer stop()
		pass(time.Second)
		if d := b.done["a"]; d.Outcome != alerts.Pending || !strings.Contains(d.Err, "panicked: boom") {
			t.Errorf("got %+v", d)
		}
		if d := b.done["n"]; d.Outcome != alerts.Pending || !strings.Contains(d.Err, `channel "pigeon" is not set up`) {
			t.Errorf("got %+v", d)
		}
	})
}

func TestStopLetsTheWireFinish(t *testing.T) {
	for _, tt := range []struct {
		name string
		need time.Duration
		want alerts.Outcome
	}{
		{"done within the grace", 3 * time.Second, alerts.Taken},
		{"cut after it, and not held against the channel", time.Minute, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &box{}
				ch := sendFunc(func(ctx context.Context, _ alerts.Message) (bool, error) {
					select {
					case <-time.After(tt.need):
						return false, nil
					case <-ctx.Done():
						return true, ctx.Err()
					}
				})
				b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x"))
				_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
				pass(time.Second)
				stop()
				if got := b.outcome("a"); got != tt.want {
					t.Errorf("outcome %q, want %q", got, tt.want)
				}
			})
		})
	}
}

func TestLinks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := time.Now()
		signer := newSigner(t, &now)
		b, ch := &box{}, &takes{begin: now}
		many := letter("c", "Orla", "mail", alerts.TellRaised)
		for i := range maxLinked + 1 {
			many.Alarms = append(many.Alarms, alerts.Event{ID: fmt.Sprint(i)})
		}
		calm := letter("d", "Orla", "mail", alerts.TellReturned, "x")
		calm.Answers = false
		b.put(letter("a", "Orla", "mail", alerts.TellRaised, "x", "y"), many, calm)
		_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}, Signer: signer, PageURL: "https://farm.example/fence/"})
		defer stop()
		pass(time.Second)
		if len(ch.links) != 3 {
			t.Fatalf("%d sent", len(ch.links))
		}
		token, ok := strings.CutPrefix(ch.links[0], "https://farm.example/fence/a/")
		alarm, person, err := signer.Check(token)
		if !ok || err != nil || alarm != "x\ny" || person != "Orla" {
			t.Errorf("link %s is for %q by %q, %v", ch.links[0], alarm, person, err)
		}
		if ch.links[1] != "https://farm.example/fence/" || ch.links[2] != "" {
			t.Errorf("links %q, want the page, and none", ch.links[1:])
		}
	})
}

// TestHoursOfSilence has mail down for five hours while an alarm repeats, and wants one message when it is back.
func TestHoursOfSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, begin := &box{}, time.Now()
		var got []string
		ch := sendFunc(func(_ context.Context, m alerts.Message) (bool, error) {
			if time.Since(begin) < 5*time.Hour {
				return true, errors.New("down")
			}
			got = append(got, m.Key)
			return false, nil
		})
		s, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
		defer stop()
		b.put(letter("raised", "Orla", "mail", alerts.TellRaised, "x"))
		for i := range 29 {
			s.Wake()
			pass(10 * time.Minute)
			b.put(letter(fmt.Sprint("repeat", i), "Orla", "mail", alerts.TellRepeat, "x"))
		}
		s.Wake()
		pass(time.Hour)
		if diff := cmp.Diff([]string{"repeat28"}, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
		if n := len(b.Pending()); n != 0 {
			t.Errorf("%d still wait", n)
		}
	})
}

func TestSendNow(t *testing.T) {
	ch := sendFunc(func(_ context.Context, m alerts.Message) (bool, error) {
		if m.Person == "Bram" {
			return false, errors.New("no such user")
		}
		return false, nil
	})
	b := &box{}
	s, err := NewSender(SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}})
	if err != nil {
		t.Fatal(err)
	}
	got := s.SendNow(t.Context(), []alerts.Message{letter("a", "Orla", "mail", alerts.TellTest), letter("b", "Bram", "mail", alerts.TellTest)})
	if len(got) != 2 || got[0].Err != nil || got[1].Err == nil || got[1].Message.Person != "Bram" || b.done != nil {
		t.Errorf("got %+v", got)
	}
}

// TestAtOnce keeps a burst from opening twenty connections to one server.
func TestAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		var mu sync.Mutex
		now, most := 0, 0
		ch := sendFunc(func(context.Context, alerts.Message) (bool, error) {
			mu.Lock()
			now++
			most = max(most, now)
			mu.Unlock()
			<-time.After(time.Second)
			mu.Lock()
			now--
			mu.Unlock()
			return false, nil
		})
		for i := range 20 {
			b.put(letter(fmt.Sprint(i), fmt.Sprint("person", i), "mail", alerts.TellRaised, "x"))
		}
		_, stop := run(t, SenderOptions{Outbox: b, Channels: map[string]Channel{"mail": ch}, AtOnce: 3})
		defer stop()
		pass(8 * time.Second)
		if most != 3 || len(b.Pending()) != 0 {
			t.Errorf("%d at once, %d still wait; want 3 and 0", most, len(b.Pending()))
		}
	})
}

func TestSenderRefuses(t *testing.T) {
	if _, err := NewSender(SenderOptions{}); err == nil {
		t.Error("a sender without an outbox was made")
	}
}
