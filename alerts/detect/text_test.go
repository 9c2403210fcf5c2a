package detect_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// A fault in brook leaves lane under its minimum and brook over its own. Nobody is told that brook is low: lane is named, with what
// it has.
func TestNamesTheZoneThatIsLow(t *testing.T) {
	f := paddocks()
	f.Zones[2].MinimumVolts = 5000
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	b.zone("brook").part, b.zone("brook").short = 0.8, 1.0/1500
	b.run(time.Hour)
	a := b.only()
	e := a.last()
	if e.Source != "zone/brook" || e.Condition != alerts.Low || e.KV == nil || *e.KV < 2.5 {
		b.show()
		t.Fatalf("brook is %s: the test shows nothing", e.Condition)
	}
	if e.Worst != "lane" || e.WorstKV == nil || *e.WorstKV >= 5 || !strings.HasPrefix(e.Text, fmt.Sprintf("Brook pulls lane down to %.1f kV", *e.WorstKV)) {
		t.Errorf("%q at %v: %s", e.Worst, e.WorstKV, e.Text)
	}
	b.zone("brook").short = 0
	b.run(3 * time.Hour)
	if e := b.only().last(); b.only().over.IsZero() || e.Worst != "" || e.WorstKV != nil {
		t.Errorf("over at %s, and still %q at %v", b.only().over, e.Worst, e.WorstKV)
	}
}

// A zone that is under its own minimum is told for itself, however low others are.
func TestNamesItsOwnZoneWhereThatIsLow(t *testing.T) {
	f := paddocks()
	f.Zones[2].MinimumVolts = 5000
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	b.zone("brook").part, b.zone("brook").short = 0.8, 1.0/100
	b.run(time.Hour)
	if e := b.only().last(); e.Source != "zone/brook" || e.Worst != "" || !strings.HasPrefix(e.Text, "Brook is low at") {
		b.show()
		t.Errorf("%q: %s", e.Worst, e.Text)
	}
}
