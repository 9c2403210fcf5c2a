package notify

import (
	"math"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// lane is a person's route. Messages on one lane go out one at a time, oldest first.
type lane struct {
	person string
	route  farm.Route
}

func laneOf(m *alerts.Message) lane { return lane{m.Person, m.Route} }

// settled is how long a message may wait before a newer one can take its place. Before that each goes out by itself,
// since the channel is well and the newer one only came soon after.
const settled = time.Minute

// supersede splits the waiting messages into those still worth sending and those that newer ones on the same lane have
// made stale, by key with the newer one's key. After a long outage a person gets one message an alarm and not fifty.
//
// A message is stale when each of its alarms is in a newer message. Nothing is lost by that: whatever is told later of
// an alarm, a repeat, who has it, or that it is over, says what it was and since when. So a return takes the place of an
// unsent raise, and is sent although the person never heard of the raise: that the stock were behind a dead fence is
// news. An evening round takes the place of an older one. Tests and reminders are never stale.
func supersede(waiting []alerts.Message, now time.Time) (live []alerts.Message, stale map[string]string) {
	newest := map[lane]map[string]string{} // key of the newest message, by lane and what it is about
	about := func(m *alerts.Message) []string {
		var ids []string
		switch m.Kind {
		case alerts.TellTest, alerts.TellReminder:
		case alerts.TellRound:
			ids = append(ids, "the evening round")
		case alerts.TellMorning, alerts.TellWeekly:
			ids = append(ids, "the "+string(m.Kind)+" letter")
		default:
			for _, e := range m.Alarms {
				ids = append(ids, e.ID)
			}
		}
		return ids
	}
	for i := range waiting {
		l := laneOf(&waiting[i])
		if newest[l] == nil {
			newest[l] = map[string]string{}
		}
		for _, id := range about(&waiting[i]) {
			newest[l][id] = waiting[i].Key
		}
	}
	stale = map[string]string{}
	for i := range waiting {
		m := &waiting[i]
		by := ""
		for _, id := range about(m) {
			if by = newest[laneOf(m)][id]; by == m.Key {
				break // it has the last word on this alarm
			}
		}
		if by != "" && by != m.Key && (m.Tries > 0 || now.Sub(m.Created) > settled) {
			stale[m.Key] = by
			continue
		}
		live = append(live, *m)
	}
	return live, stale
}

const (
	firstRetry = 5 * time.Second
	lastRetry  = 5 * time.Minute // an alarm must not wait longer than this once the channel is back
	maxAsked   = time.Hour       // the longest wait that another side may ask for
)

// backoff returns how long to wait after so many tries: doubling, and up to a fifth more or less by chance, 0 to 1, so
// that many do not come back at once.
func backoff(tries int, chance float64) time.Duration {
	d := float64(firstRetry) * math.Pow(2, float64(min(tries-1, 10)))
	return time.Duration(min(d, float64(lastRetry)) * (0.8 + 0.4*chance))
}
