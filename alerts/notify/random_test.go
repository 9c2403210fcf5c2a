package notify

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// randomNight makes a script of a bad week: three zones, three priorities, and people who answer or do not.
func randomNight(r *rand.Rand) night {
	var out night
	open := map[string]string{} // zone to the end of its event line
	minute := 0
	at := func() string { return fmt.Sprintf("%d %02d:%02d", 10+minute/1440, minute/60%24, minute%60) }
	n := 0
	for range 120 {
		minute += 1 + r.IntN(90)
		zone := []string{"brook", "hazel", "lane"}[r.IntN(3)]
		tail, on := open[zone]
		switch what := r.IntN(10); {
		case what < 4 && !on:
			n++
			tail = fmt.Sprintf("a%d %s %s %s", n, zone, []string{"dead", "low"}[r.IntN(2)], []string{"high", "medium", "low"}[r.IntN(3)])
			open[zone] = tail
			out = append(out, at()+" raised "+tail)
		case what < 5 && on:
			out = append(out, at()+fmt.Sprintf(" updated %s %dm", tail, r.IntN(300)))
		case what < 8 && on:
			delete(open, zone)
			out = append(out, at()+" returned "+tail)
		case what < 9 && on:
			out = append(out, at()+" try-ack "+strings.Fields(tail)[0]+" "+[]string{"Orla", "Bram", "Stranger"}[r.IntN(3)])
		default:
			out = append(out, at()+" -")
		}
	}
	minute += 3000
	return append(out, at()+" -")
}

// TestRandomNights plays random weeks, each with and without a restart after every line, wants the same told, and checks
// what must always hold.
func TestRandomNights(t *testing.T) {
	for seed := range uint64(12) {
		r := rand.New(rand.NewPCG(seed, 3))
		cfg := testConfig(t)
		cfg.Gather = time.Nanosecond // what was sent in the last half minute is not kept over a restart, by design
		script := randomNight(r)
		var restarted night
		for _, line := range script {
			f := strings.Fields(line)
			restarted = append(restarted, line, f[0]+" "+f[1]+" restart")
		}
		straight := play(t, cfg, script)
		if diff := cmp.Diff(straight, play(t, cfg, restarted)); diff != "" {
			t.Fatalf("seed %d (-straight +restarted):\n%s", seed, diff)
		}
		checkNight(t, script, straight)
	}
}

// checkNight wants every high alarm told at its raise, nobody told that it is over who was never told of it, and nothing
// repeated after it was over.
func checkNight(t *testing.T, script night, told []string) {
	t.Helper()
	if len(told) < 20 {
		t.Fatalf("only %d were told; the night is too calm to test anything", len(told))
	}
	heard, over := map[string]bool{}, map[string]bool{}
	for _, line := range told {
		f := strings.Fields(line)
		if len(f) < 5 {
			continue // an escalation
		}
		for _, id := range strings.Split(f[4], "+") {
			switch kind := alerts.MessageKind(f[3]); kind {
			case alerts.TellRaised, alerts.TellEscalated, alerts.TellRound:
				heard[f[2]+id] = true
			case alerts.TellReturned:
				over[id] = true
				fallthrough
			case alerts.TellTaken:
				if !heard[f[2]+id] {
					t.Errorf("%s: and was never told of it", line)
				}
			case alerts.TellRepeat:
				if over[id] {
					t.Errorf("%s: it was over", line)
				}
			}
		}
	}
	for _, line := range script {
		f := strings.Fields(line)
		if f[2] == "raised" && f[6] == "high" && !slices.ContainsFunc(told, func(s string) bool {
			return strings.HasPrefix(s, strings.TrimPrefix(f[0], "0")+" "+f[1]) && strings.Contains(s, " raised ") && strings.Contains(s, f[3])
		}) {
			t.Errorf("%s: nobody was told at once", line)
		}
	}
}

// BenchmarkDesk is one alarm that comes and is answered and goes.
func BenchmarkDesk(b *testing.B) {
	d := newDesk(b, testConfig(b))
	now := clock(b, "21 02:10")
	i := 0
	for b.Loop() {
		i++
		now = now.Add(time.Minute)
		e := deadZone(fmt.Sprint("a", i), now, "brook")
		d.Events(now, e)
		if _, err := d.Act(now, alerts.Action{Kind: alerts.Acknowledge, Alarm: e.ID, By: "Orla"}); err != nil {
			b.Fatal(err)
		}
		e.Kind, e.Time = alerts.Returned, now.Add(time.Millisecond)
		d.Events(now.Add(time.Millisecond), e)
	}
}
