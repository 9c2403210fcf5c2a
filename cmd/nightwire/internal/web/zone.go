package web

import (
	"encoding/csv"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightwire/cmd/nightwire/internal/web/chart"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// zonePage is the body of a zone's page.
type zonePage struct {
	zoneView
	alarmParts
	Plot plot
	Past []Alarm
}

// zone answers /zone/{name} and, for a name that ends in .csv, its readings.
func (s *Server) zone(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "zone.title")
	if f == nil {
		return
	}
	name, wantCSV := strings.CutSuffix(r.PathValue("name"), ".csv")
	there := slices.Concat(f.Zones, f.Gone)
	i := slices.IndexFunc(there, func(z Zone) bool { return z.Name == name })
	if i < 0 {
		s.refuse(w, r, http.StatusNotFound, "refuse.nozone")
		return
	}
	z := there[i]
	if wantCSV {
		s.csv(w, r, f, z.Source, name)
		return
	}
	f.Title = name
	f.Live = i < len(f.Zones)
	v := zonePage{zoneView: s.zoneView(f, z, 0)}
	var ahead time.Time
	if z.Forecast != nil {
		ahead = z.Forecast.Latest
	}
	if s.opts.History != nil {
		path := "/zone/" + url.PathEscape(name)
		p, err := s.plot(r.Context(), f, plotAsk{source: z.Source, path: path, csv: path + ".csv", what: "kv",
			heading: s.words.text("zone.volts", "zone", name), every: z.Every, window: readWindow(r.URL.Query(), f.Now, ahead),
			zone: &z, forecast: z.Forecast})
		if err != nil {
			s.opts.Log.Error("history not available", "source", z.Source, "err", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
			return
		}
		v.Plot = p
	}
	v.alarmParts = s.parts(about(f.Alarms, z.Source, name))
	f.Body = v
	s.render(w, r, http.StatusOK, "zone", f)
}

// about chooses the alarms that concern a source, or that took a zone along.
func about(alarms []Alarm, src farm.Source, zone string) []Alarm {
	var out []Alarm
	for _, a := range alarms {
		if a.Source == src || zone != "" && slices.Contains(a.Zones, zone) {
			out = append(out, a)
		}
	}
	return out
}

// csv writes what is kept of a source in a stretch of time: the time in UTC, then each field in its base unit, empty
// where the reading did not carry it, and what the line stands for.
func (s *Server) csv(w http.ResponseWriter, r *http.Request, f *frame, src farm.Source, name string) {
	if s.opts.Lines == nil {
		s.refuse(w, r, http.StatusNotFound, "refuse.history")
		return
	}
	span := readWindow(r.URL.Query(), f.Now, time.Time{}).Span
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+fileName(name)+`.csv"`)
	out := csv.NewWriter(w)
	row := []string{"time"}
	for field := range pulse.NumFenceFields {
		row = append(row, field.String())
	}
	out.Write(append(row, "what"))
	for line, err := range s.opts.Lines.Lines(r.Context(), src, span) {
		if err != nil {
			s.opts.Log.Error("readings not available", "source", src, "err", err)
			panic(http.ErrAbortHandler) // a cut-off file must not look whole
		}
		row = append(row[:0], line.At.UTC().Format("2006-01-02T15:04:05.000Z"))
		for field := range pulse.NumFenceFields {
			text := ""
			if v, ok := line.Get(field); ok {
				text = strconv.FormatFloat(v, 'f', -1, 64)
			}
			row = append(row, text)
		}
		if out.Write(append(row, line.What)) != nil {
			return // the reader went away
		}
	}
	out.Flush()
}

// fileName keeps what is safe in a file's name.
func fileName(name string) string {
	return strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' {
			return c
		}
		return '_'
	}, name)
}

// energizerPage is the body of an energizer's page.
type energizerPage struct {
	Energizer
	alarmParts
	State string
	Share template.HTML // load as a share of what it can carry, as a bar
	Earth template.HTML // volts on the stakes against the most there should be, as a bar
	Plots []plot
}

// EarthHigh reports whether the stakes carry more than they should.
func (p energizerPage) EarthHigh() bool {
	return p.EarthKV != nil && p.EarthMaxKV > 0 && *p.EarthKV > p.EarthMaxKV
}

func (s *Server) energizer(w http.ResponseWriter, r *http.Request) {
	f := s.member(w, r, "energizer.title")
	if f == nil {
		return
	}
	name, wantCSV := strings.CutSuffix(r.PathValue("name"), ".csv")
	i := slices.IndexFunc(f.Energizers, func(e Energizer) bool { return e.Name == name })
	if i < 0 {
		s.refuse(w, r, http.StatusNotFound, "refuse.noenergizer")
		return
	}
	e := f.Energizers[i]
	if wantCSV {
		s.csv(w, r, f, e.Source, name)
		return
	}
	f.Title = name
	f.Live = true
	v := energizerPage{Energizer: e, State: energizerState(f, e), alarmParts: s.parts(about(f.Alarms, e.Source, ""))}
	if e.LoadShare != nil {
		v.Share = template.HTML(chart.Bar{Value: *e.LoadShare, Known: true, Full: 1, Bad: *e.LoadShare >= 1,
			Label: s.words.text("energizer.share", "share", f.Percent(*e.LoadShare))}.SVG())
	}
	if e.EarthKV != nil {
		v.Earth = template.HTML(chart.Bar{Value: *e.EarthKV, Known: true, Low: e.EarthMaxKV, Bad: v.EarthHigh(),
			Label: s.words.text("energizer.earth.bar", "kv", f.Num(e.EarthKV, 2), "max", f.Num(e.EarthMaxKV, 1))}.SVG())
	}
	var err error
	if v.Plots, err = s.energizerPlots(r, f, e); err != nil {
		s.opts.Log.Error("history not available", "source", e.Source, "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refuse.history")
		return
	}
	f.Body = v
	s.render(w, r, http.StatusOK, "energizer", f)
}

// energizerPlots draws what this energizer's sensor reports.
func (s *Server) energizerPlots(r *http.Request, f *frame, e Energizer) ([]plot, error) {
	if s.opts.History == nil {
		return nil, errors.New("no history")
	}
	path := "/energizer/" + url.PathEscape(e.Name)
	var plots []plot
	for _, q := range []struct {
		what string
		has  bool
	}{{"kv", e.OutputKV != nil}, {"supply", e.SupplyV != nil}, {"interval", e.IntervalMS != nil}, {"earth", e.EarthKV != nil}} {
		if !q.has {
			continue
		}
		p, err := s.plot(r.Context(), f, plotAsk{source: e.Source, path: path, csv: path + ".csv", what: q.what,
			heading: s.words.text("energizer.plot." + q.what), every: e.Every, window: readWindow(r.URL.Query(), f.Now, time.Time{})})
		if err != nil {
			return nil, err
		}
		plots = append(plots, p)
	}
	return plots, nil
}

// Percent writes a share as whole per cent.
func (f *frame) Percent(share float64) string {
	return f.words.text("percent", "n", f.words.decimal(share*100, 0))
}

// fenceView is a drawn fence.
type fenceView struct {
	Energizer string
	SVG       template.HTML
	Suspect   *Place
}

func (s *Server) fences(f *frame, chains []chain) []fenceView {
	bad := map[string]bool{}
	for i := range chains {
		for j := range chains[i].Zones {
			z := &chains[i].Zones[j]
			bad[z.Name] = z.Bad() && z.State != stateSilent
		}
	}
	var out []fenceView
	for _, fc := range f.Fences {
		c := chart.Fence{Root: fc.Energizer, Here: s.words.text("fence.here"), Title: s.words.text("fence.title", "name", fc.Energizer)}
		if i := slices.IndexFunc(f.Energizers, func(e Energizer) bool { return e.Name == fc.Energizer }); i >= 0 && energizerState(f, f.Energizers[i]) != stateSilent {
			c.RootKV = f.Energizers[i].OutputKV
		}
		for _, r := range fc.Runs {
			run := chart.Run{Name: r.Zone, FedBy: r.FedBy, LengthM: r.LengthM, Length: s.words.text("metres", "m", f.Num(r.LengthM, 0)),
				EndKV: r.EndKV, LowKV: r.MinimumKV, Bad: bad[r.Zone]}
			if r.EndKV != nil {
				run.EndText = f.KV(r.EndKV)
			}
			for _, p := range r.Curve {
				run.Curve = append(run.Curve, chart.AlongKV{M: p.M, KV: p.KV})
			}
			c.Runs = append(c.Runs, run)
		}
		if fc.Suspect != nil {
			c.Suspect = &chart.Suspect{Run: fc.Suspect.Zone, M: fc.Suspect.M, LowM: fc.Suspect.LowM, HighM: fc.Suspect.HighM}
		}
		out = append(out, fenceView{fc.Energizer, template.HTML(c.SVG()), fc.Suspect})
	}
	return out
}
