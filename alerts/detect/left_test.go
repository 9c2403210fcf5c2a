package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
)

// A wire parts behind another that lies on the ground, which nobody can see. When the latter is freed the zone behind is left
// dead, and that is told as what it is, and is over when the wire is joined.
func TestPartedBehindAShort(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	short("hazel", 60, 0.3)(b)
	b.run(2 * time.Hour)
	fault := b.only()
	part("lane", 0.2)(b)
	b.run(2 * time.Hour)
	if e := b.only().last(); e.Source != "zone/hazel" || e.Cause != alerts.Short {
		b.show()
		t.Fatalf("told %s as %s while the wire lies on the ground", e.Source, e.Cause)
	}
	b.zone("hazel").short = 0
	b.run(time.Hour)
	if a := b.standing("zone/lane", alerts.Dead); a == nil || a.last().Cause != alerts.Open || len(a.last().Zones) > 0 {
		b.show()
		t.Fatal("lane is not told as parted, alone")
	}
	b.wires["cartshed"].mend()
	b.run(time.Hour)
	if b.overAt(fault.id).IsZero() || b.standing("zone/lane", alerts.Dead) != nil {
		b.show()
		t.Error("stands though the wire is whole")
	}
}
