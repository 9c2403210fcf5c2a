package notify

import (
	"time"

	"nightwire/ingest/farm"
)

// notLater brings back what waits for longer than it ever has to, as when the clock was set back.
func (p *Planner) notLater(now time.Time) {
	for name, last := range p.last {
		if last[len(last)-1].After(now) {
			delete(p.last, name)
		}
	}
	for id, c := range p.calls {
		changed := pull(&c.RepeatAt, now.Add(p.cfg.RepeatEvery))
		changed = pull(&c.NextAt, now.Add(p.cfg.EscalateAfter)) || changed
		changed = pull(&c.RoundAt, p.cfg.round(now)) || changed
		for i := range c.Notices {
			latest := p.cfg.awake(p.person(c.Notices[i].Person), now).Add(p.cfg.Gather)
			changed = pull(&c.Notices[i].At, latest) || changed
		}
		if changed {
			p.dirty[id] = true
		}
	}
}

// person returns who goes by a name, or somebody who may be disturbed at any time.
func (p *Planner) person(name string) farm.Person {
	for _, person := range p.people {
		if person.Name == name {
			return person
		}
	}
	return farm.Person{Name: name}
}

// pull brings t back to latest, and reports whether it had to. A zero t stays.
func pull(t *time.Time, latest time.Time) bool {
	if !t.After(latest) {
		return false
	}
	*t = latest
	return true
}
