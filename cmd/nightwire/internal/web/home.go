package web

import (
	"html/template"
	"net/http"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/web/chart"
	"nightwire/ingest/farm"
)

// A sensor that misses this many reports in a row is shown as not heard, whatever the alarms say: its last value is no
// longer how the fence is. Bad links lose one report in ten, so fewer would flicker.
const missedReports = 4

// condition words of a zone or energizer on the page; each has its text under "state.".
const (
	stateHot     = "hot"
	stateLow     = "low"
	stateDead    = "dead"
	stateOff     = "off"
	stateRunning = "running"
	stateSilent  = "silent"
	stateUnheard = "unheard"
	stateOut     = "out"
)

// zoneView is a zone as the templates want it.
type zoneView struct {
	Zone
	State  string
	Depth  int // how many zones lie between it and its energizer
	Bar    template.HTML
	Spark  template.HTML
	Margin string
}

// Bad reports whether the zone wants somebody.
func (z zoneView) Bad() bool {
	return z.State == stateLow || z.State == stateDead || z.State == stateSilent
}

// chain is an energizer and the zones it feeds, in feeding order.
type chain struct {
	Energizer
	State string
	Zones []zoneView
}

// Old reports whether what the energizer's sensor said last is no longer how it is.
func (c chain) Old() bool { return c.State == stateSilent }

// homeView is the body of the first page.
type homeView struct {
	Sentence string
	Calm     bool
	alarmParts
	Chains []chain
	Fences []fenceView
}

// alarmParts are alarms by whether they want somebody.
type alarmParts struct {
	Open    []Alarm // now
	Waiting []Alarm // no more, or in the days to come
	CanWait string  // how many those are
	Hushed  []Alarm // not while they are put aside
}

// parts sorts alarms. Many that can wait must not push the zones or a chart out of sight.
func (s *Server) parts(alarms []Alarm) (p alarmParts) {
	for _, a := range alarms {
		switch {
		case a.Hushed():
			p.Hushed = append(p.Hushed, a)
		case a.Active() && a.Priority != alerts.LowPriority:
			p.Open = append(p.Open, a)
		default:
			p.Waiting = append(p.Waiting, a)
		}
	}
	p.CanWait = upperFirst(s.words.count("home.waiting", len(p.Waiting)))
	return p
}

func (s *Server) home(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "home.title")
	if f == nil {
		return
	}
	f.Live = true
	v := homeView{alarmParts: s.parts(f.Alarms), Chains: s.chains(f)}
	v.Sentence, v.Calm = s.sentence(f, v.Chains)
	v.Calm = v.Calm && len(v.Open) == 0
	v.Fences = s.fences(f, v.Chains)
	f.Body = v
	s.render(w, r, http.StatusOK, "home", f)
}

// chains groups the zones under the energizers that feed them.
func (s *Server) chains(f *frame) []chain {
	chains := make([]chain, len(f.Energizers))
	where := map[string]int{} // an energizer's or zone's name to its chain
	depth := map[string]int{}
	for i, e := range f.Energizers {
		chains[i] = chain{Energizer: e, State: energizerState(f, e)}
		where[e.Name] = i
	}
	for _, z := range f.Zones {
		i, fed := where[z.FedBy]
		if !fed {
			continue
		}
		where[z.Name] = i
		if f.zoneNamed(z.FedBy) {
			depth[z.Name] = depth[z.FedBy] + 1
		}
		chains[i].Zones = append(chains[i].Zones, s.zoneView(f, z, depth[z.Name]))
	}
	return chains
}

func (f *frame) zoneNamed(name string) bool {
	for i := range f.Zones {
		if f.Zones[i].Name == name {
			return true
		}
	}
	return false
}

func (s *Server) zoneView(f *frame, z Zone, depth int) zoneView {
	v := zoneView{Zone: z, State: zoneState(f, z), Depth: min(depth, 3)}
	current := v.State == stateHot || v.State == stateLow || v.State == stateDead
	bar := chart.Bar{Low: z.MinimumKV, Full: z.CleanKV, Bad: v.Bad(), Label: s.words.text("state." + v.State)}
	if z.KV != nil && current {
		bar.Value, bar.Known = *z.KV, true
		bar.Label = s.words.text("zone.bar", "kv", f.KV(*z.KV), "min", f.KV(z.MinimumKV))
		key, over := "zone.over", *z.KV-z.MinimumKV
		if over < 0 {
			key, over = "zone.under", -over
		}
		v.Margin = s.words.text(key, "kv", f.KV(over))
	}
	v.Bar = template.HTML(bar.SVG()) // all text in it is escaped by chart
	v.Spark = template.HTML(spark(z.Spark, z.MinimumKV, f.neededSince(z), s.words.text("zone.spark", "zone", z.Name)))
	return v
}

func spark(s Series, low float64, since time.Time, label string) string {
	c := chart.Spark{Span: chart.Span(s.Span), Low: low, LowAt: since, Label: label, Points: make([]chart.Point, 0, len(s.Buckets))}
	for _, b := range s.Buckets {
		c.Points = append(c.Points, chart.Point{At: b.Start.Add(s.Width / 2), V: b.Mean})
	}
	for _, g := range s.Gaps {
		c.Gaps = append(c.Gaps, chart.Span(g))
	}
	return c.SVG()
}

// zoneState says in one word how a zone is.
func zoneState(f *frame, z Zone) string {
	switch {
	case z.OutUntil.After(f.Now):
		return stateOut
	case z.KV == nil || z.HeardAt.IsZero():
		return stateUnheard
	case alarmed(f, z.Source, alerts.Silent) || tooOld(f.Now, z.HeardAt, z.Every):
		return stateSilent
	case alarmed(f, z.Source, alerts.Dead) || rides(f, z.Name, alerts.Dead):
		return stateDead
	case *z.KV < z.MinimumKV:
		return stateLow
	}
	return stateHot
}

func energizerState(f *frame, e Energizer) string {
	switch {
	case e.OutUntil.After(f.Now):
		return stateOut
	case alarmed(f, e.Source, alerts.Off):
		return stateOff
	case e.HeardAt.IsZero():
		return stateUnheard
	case alarmed(f, e.Source, alerts.Silent) || tooOld(f.Now, e.HeardAt, e.Every):
		return stateSilent
	}
	return stateRunning
}

func tooOld(now, heard time.Time, every time.Duration) bool {
	return every > 0 && now.Sub(heard) > missedReports*every
}

// alarmed reports whether source has an active alarm of that condition.
func alarmed(f *frame, source farm.Source, c alerts.Condition) bool {
	for i := range f.Alarms {
		if a := &f.Alarms[i]; a.Source == source && a.Condition == c && a.Active() {
			return true
		}
	}
	return false
}

// rides reports whether a zone is among those that another source's alarm took along.
func rides(f *frame, zone string, c alerts.Condition) bool {
	for i := range f.Alarms {
		a := &f.Alarms[i]
		if a.Condition != c || !a.Active() {
			continue
		}
		for _, name := range a.Zones {
			if name == zone {
				return true
			}
		}
	}
	return false
}

// sentence says in plain words how the farm is, worst first; calm is true when nothing in it wants anybody.
func (s *Server) sentence(f *frame, chains []chain) (text string, calm bool) {
	in := map[string][]string{}
	var parts []string
	total := 0
	var lowest *zoneView
	for i := range chains {
		c := &chains[i]
		if c.State == stateOff {
			parts = append(parts, s.words.text("say.off", "name", c.Name))
		}
		for j := range c.Zones {
			z := &c.Zones[j]
			total++
			in[z.State] = append(in[z.State], z.Name)
			if z.State == stateHot && (lowest == nil || *z.KV < *lowest.KV) {
				lowest = z
			}
		}
	}
	for _, state := range []string{stateDead, stateLow, stateSilent, stateUnheard} {
		if names := in[state]; len(names) > 0 {
			parts = append(parts, s.words.count("say."+state, len(names), "names", s.list(names)))
		}
	}
	calm = len(parts) == 0
	if names := in[stateOut]; len(names) > 0 {
		parts = append(parts, s.words.count("say.out", len(names), "names", s.list(names)))
	}
	hot := len(in[stateHot])
	switch {
	case total == 0:
		parts = append(parts, s.words.text("say.none"))
	case hot == total:
		parts = append(parts, s.words.count("say.all", total))
	case hot > 0:
		parts = append(parts, s.words.count("say.others", hot))
	}
	if calm && lowest != nil {
		parts = append(parts, s.words.text("say.lowest", "zone", lowest.Name, "kv", f.KV(*lowest.KV)))
	}
	for i := range parts {
		parts[i] = upperFirst(parts[i])
	}
	return strings.Join(parts, " "), calm
}

// list writes names as "a, b and c".
func (s *Server) list(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	n := len(names) - 1
	return strings.Join(names[:n], ", ") + " " + s.words.text("and") + " " + names[n]
}
