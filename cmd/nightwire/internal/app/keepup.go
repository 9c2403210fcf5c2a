package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/alerts/upkeep"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
)

// upkeepPlan returns what the farm file says of work that comes back. Acts are all that were done, oldest first: the
// first tells since when there is a record.
func upkeepPlan(cfg *config.Config, acts []alerts.Action, now time.Time) upkeep.Plan {
	p := upkeep.Plan{Every: map[upkeep.Task]time.Duration{}, DriestFrom: time.Month(cfg.Upkeep.DriestFrom), Since: now, Location: cfg.Farm.Location}
	if len(acts) > 0 {
		p.Since = acts[0].Time
	}
	u := &cfg.Upkeep
	for task, every := range map[upkeep.Task]config.Interval{upkeep.Walk: u.Walk, upkeep.Battery: u.Battery,
		upkeep.Insulators: u.Insulators, upkeep.EarthTest: u.EarthTest, upkeep.Spares: u.Spares} {
		if !every.Off {
			p.Every[task] = every.Every
		}
	}
	return p
}

// dueUpkeep returns what is due, a sentence each, and what has become so within the last day.
func (n *night) dueUpkeep(ctx context.Context, now time.Time) (due []string, fresh string, err error) {
	acts, err := n.journal.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return nil, "", err
	}
	for _, r := range upkeepPlan(n.cfg, acts, now).List(acts) {
		if !r.Due(now) {
			continue
		}
		due = append(due, r.Text(n.cfg.Farm.Location))
		if r.New(now) && fresh == "" {
			fresh = r.Text(n.cfg.Farm.Location)
		}
	}
	return due, fresh, nil
}

// Upkeep returns what work is due, for the page.
func (n *night) Upkeep(ctx context.Context) (web.Upkeep, error) {
	acts, err := n.journal.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return web.Upkeep{}, err
	}
	now := n.now()
	var out web.Upkeep
	for _, r := range upkeepPlan(n.cfg, acts, now).List(acts) {
		act, standing := r.Task.What()
		out.Tasks = append(out.Tasks, web.UpkeepTask{Name: string(r.Task), Text: act, Standing: standing, Last: r.Last, DueOn: r.DueOn,
			Due: r.Due(now), Test: r.Task == upkeep.EarthTest})
	}
	for _, s := range upkeep.Steps() {
		out.Steps = append(out.Steps, web.UpkeepStep(s))
	}
	out.Tests = earthTests(n.cfg, acts)
	slices.Reverse(out.Tests)
	out.Trips, out.Rule, err = yearOfTrips(ctx, n.store, &n.cfg.Farm, n.journal, now)
	return out, err
}

// checkWhen refuses a stated time that is yet to come, or, for what growth is judged by, before the season.
func checkWhen(a alerts.Action, now time.Time, loc *time.Location) error {
	said := a.On.In(loc).Format("2 January 2006, 15:04")
	switch {
	case a.On.After(now.Add(time.Minute)): // forms know no seconds
		return fmt.Errorf("%s is yet to come\nhint: say it when it is done", said)
	case !a.On.IsZero() && now.Sub(a.On) > seasonSpan && (a.Kind == alerts.Trimmed || a.Kind == alerts.Restrung):
		return fmt.Errorf("%s is before this season\nhint: growth is judged by the last half year; put older work into a note", said)
	}
	return nil
}

// checkDone refuses what was not done: a task that is none, an earth test that says nothing of the stakes.
func checkDone(a alerts.Action) error {
	if a.Kind != alerts.Done {
		return nil
	}
	if !upkeep.Known(a.Task) {
		return fmt.Errorf("%q is no task\nhint: look at the list of upkeep", a.Task)
	}
	if a.Earth != nil {
		return upkeep.Check(*a.Earth)
	}
	return nil
}

// saidOf returns what is to be told of what somebody did: the note, and before it which upkeep it was.
func saidOf(a alerts.Action) string {
	if a.Kind != alerts.Done {
		return a.Note
	}
	act, _ := upkeep.Task(a.Task).What()
	said, _, _ := strings.Cut(act, ":") // without the list of what belongs to it
	if a.Earth != nil {
		said += fmt.Sprintf(", %.0f V on them", a.Earth.StakeVolts)
	}
	if a.Note != "" {
		said += "; " + a.Note
	}
	return said
}

// earthTests says what each test of the stakes meant, oldest first.
func earthTests(cfg *config.Config, acts []alerts.Action) []string {
	var out []string
	layouts := layoutsIn(acts)
	for _, a := range acts {
		name := a.Source.Name()
		e := farmAt(&cfg.Farm, layouts, a.When()).Energizer(name)
		if a.Earth == nil || e == nil {
			continue
		}
		out = append(out, fmt.Sprintf("Earth of %s, %s: %s", name, a.When().In(cfg.Farm.Location).Format("2 Jan 2006"),
			upkeep.Verdict(*a.Earth, e.OpenVolts, e.SourceOhms)))
	}
	return out
}

// DoneOptions says what was done.
type DoneOptions struct {
	Farm    *farm.Farm
	DataDir string
	Task    string    // of upkeep, or "trim"
	Where   string    // the zone that was trimmed, or the energizer; empty for the whole farm
	On      time.Time // when; zero for now
	By      string
	Note    string
	Earth   *alerts.EarthTest
	Out     io.Writer
}

// TrimTask is what cutting growth is called among the tasks.
const TrimTask = "trim"

// Done tells the night watch of work that was done.
func Done(ctx context.Context, o DoneOptions) error {
	a := alerts.Action{Kind: alerts.Done, Source: farm.Site, Task: o.Task, On: o.On, By: o.By, Note: o.Note, Earth: o.Earth}
	if o.Where != "" {
		sources, err := movedSources(o.Farm, []string{o.Where})
		if err != nil {
			return err
		}
		a.Source = sources[0]
	}
	said := "Kept: " + o.Task
	if o.Task == TrimTask {
		a.Kind, a.Task = alerts.Trimmed, ""
		from := "now"
		if !o.On.IsZero() {
			from = o.On.In(o.Farm.Location).Format("Mon 2 January, 15:04")
		}
		said = "Kept: trimmed. The growth of " + o.Where + " is judged anew from " + from
	}
	if err := control.Act(ctx, o.DataDir, a); err != nil {
		return err
	}
	_, err := fmt.Fprintf(o.Out, "%s.\n", said)
	return err
}

// EarthTest keeps a test of an energizer's stakes and says what it means.
func EarthTest(ctx context.Context, o DoneOptions) error {
	e := o.Farm.Energizer(o.Where)
	if e == nil {
		return fmt.Errorf("%w: %q", ErrNoSuchPlace, o.Where)
	}
	if err := upkeep.Check(*o.Earth); err != nil {
		return err
	}
	o.Task = string(upkeep.EarthTest)
	if err := Done(ctx, o); err != nil {
		return err
	}
	_, err := fmt.Fprintln(o.Out, upkeep.Verdict(*o.Earth, e.OpenVolts, e.SourceOhms))
	return err
}

// EarthSteps writes how the stakes are tested, with the cautions.
func EarthSteps(w io.Writer) error {
	var b strings.Builder
	for i, s := range upkeep.Steps() {
		fmt.Fprintf(&b, "%d. %s (%s)\n", i+1, s.Do, s.Standing)
	}
	b.WriteString("\n")
	for _, c := range alerts.Cautions(alerts.AboutEarth, alerts.AboutWork) {
		fmt.Fprintf(&b, "- %s (%s)\n", c.Text, c.Standing)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Upkeep writes what work comes back, when it was last done and when it is due, and what the record shows.
func Upkeep(ctx context.Context, w io.Writer, cfg *config.Config, dir string, now time.Time) (err error) {
	db, err := openToRead(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	acts, err := j.Actions(ctx, time.Time{}, time.Time{})
	if err != nil {
		return err
	}
	year, rule, err := yearOfTrips(ctx, db, &cfg.Farm, j, now)
	if err != nil {
		return err
	}
	var b strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tlast done\tdue\twhat")
	date := func(t time.Time) string { return t.In(cfg.Farm.Location).Format("2 Jan 2006") }
	for _, r := range upkeepPlan(cfg, acts, now).List(acts) {
		last, due := "never", date(r.DueOn)
		if !r.Last.IsZero() {
			last = date(r.Last)
		}
		if r.Due(now) {
			due = "now"
		}
		act, standing := r.Task.What()
		fmt.Fprintf(t, "%s\t%s\t%s\t%s (%s)\n", r.Task, last, due, act, standing)
	}
	t.Flush() // into memory
	upkeepRecord(&b, cfg, acts, year, rule)
	_, err = io.WriteString(w, b.String())
	return err
}

// upkeepRecord writes what the record shows: the tests of the stakes, and which zones trip most and after what weather.
func upkeepRecord(b *strings.Builder, cfg *config.Config, acts []alerts.Action, year []string, rule string) {
	for _, test := range earthTests(cfg, acts) {
		fmt.Fprintf(b, "\n%s\n", test)
	}
	if len(year) == 0 {
		b.WriteString("\nNo alarms within the last year.\n")
		return
	}
	b.WriteString("\nAlarms within the last year:\n")
	for _, t := range year {
		fmt.Fprintf(b, "- %s\n", t)
	}
	if rule != "" {
		fmt.Fprintf(b, "(%s)\n", rule)
	}
}
