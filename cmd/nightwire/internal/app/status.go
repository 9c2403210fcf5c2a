package app

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"nightwire/alerts/detect"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// openToRead opens the data folder beside a watch that may be running.
func openToRead(ctx context.Context, dir string) (*store.DB, error) {
	db, err := store.Open(ctx, store.Options{Path: filepath.Join(dir, storeFile), ReadOnly: true})
	if errors.Is(err, store.ErrMissing) {
		return nil, fmt.Errorf("there is no data in %s: %w\nhint: give the folder of the night watch with --data", dir, store.ErrMissing)
	}
	return db, err
}

// Status writes the farm as it is, from the data folder.
func Status(ctx context.Context, w io.Writer, cfg *config.Config, dir string, now time.Time) (err error) {
	db, err := openToRead(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s: %s\n\n", cfg.Farm.Name, now.In(cfg.Farm.Location).Format("Monday 2 January, 15:04"), aliveText(dir, now))
	if err := statusSensors(ctx, &b, &cfg.Farm, db, now); err != nil {
		return err
	}
	if err := statusAlarms(ctx, &b, cfg, dir); err != nil {
		return err
	}
	b.WriteString("\nA reading is never proof that a wire is dead or safe to touch: switch off, then test.\n")
	_, err = io.WriteString(w, b.String())
	return err
}

func statusSensors(ctx context.Context, w io.Writer, f *farm.Farm, db *store.DB, now time.Time) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tkV\tminimum\theard")
	row := func(name, minimum string, s farm.Source, every time.Duration) error {
		r, ok, err := db.Latest(ctx, detect.SensorID(f, s))
		if err != nil {
			return err
		}
		heard, kv := "never", "–"
		if ok {
			ago := now.Sub(r.At)
			heard = fmt.Sprintf("%s ago", max(ago, 0).Round(time.Second))
			if v := get(&r, pulse.Volts, 1000); v != nil {
				kv = fmt.Sprintf("%.1f", *v)
			}
			if ago > quietReports*cmp.Or(every, time.Minute) {
				kv = "(" + kv + ")" // what it was, not what it is
			}
		}
		_, err = fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", name, kv, minimum, heard)
		return err
	}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		if err := row(e.Name, "", e.Source(), e.Sensor.Every); err != nil {
			return err
		}
		for _, z := range f.Feeding(e.Name) {
			if err := row("  "+z.Name, fmt.Sprintf("%g", z.MinimumVolts/1000), z.Source(), z.Sensor.Every); err != nil {
				return err
			}
		}
	}
	return t.Flush()
}

// statusAlarms lists the alarms that are on.
func statusAlarms(ctx context.Context, w io.Writer, cfg *config.Config, dir string) error {
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return err
	}
	open, err := j.Alarms(ctx, journal.Filter{OpenOnly: true})
	if err = errors.Join(err, j.Close()); err != nil {
		return err
	}
	if len(open) == 0 {
		_, err := fmt.Fprintln(w, "\nNo open alarms.")
		return err
	}
	fmt.Fprintln(w, "\nOpen alarms:")
	for _, a := range open {
		who := "nobody has answered"
		if !a.AckedAt.IsZero() {
			who = cmp.Or(a.AckedBy, "somebody") + " has it"
		}
		fmt.Fprintf(w, "  %s, since %s, %s: %s\n", a.Finding.Priority, a.Raised.In(cfg.Farm.Location).Format("Mon 2 Jan 15:04"), who, a.Finding.Text)
	}
	return nil
}

// aliveText says whether a night watch runs on the folder.
func aliveText(dir string, now time.Time) string {
	const not = "the night watch is not running"
	r, said, ok := watchOn(dir)
	switch {
	case said && !ok:
		return not + " (it was cut off: killed, or the power went)"
	case !ok:
		return not
	}
	text := fmt.Sprintf("the night watch runs, as process %d, since %s", r.PID, now.Sub(r.Started).Round(time.Second))
	if r.Page != "" {
		text += ", page at " + r.Page
	}
	return text
}

// watchOn returns what the night watch on the folder said of itself, whether it said anything, and whether it still
// runs.
func watchOn(dir string) (r running, said, runs bool) {
	data, err := os.ReadFile(filepath.Join(dir, runningFile))
	if err != nil || json.Unmarshal(data, &r) != nil {
		return r, false, false
	}
	p, err := os.FindProcess(r.PID)
	if err != nil {
		return r, true, false
	}
	err = p.Signal(syscall.Signal(0))
	return r, true, err == nil || errors.Is(err, os.ErrPermission)
}

// ExportOptions says which readings to export.
type ExportOptions struct {
	Config   *config.Config
	DataDir  string
	Source   farm.Source // empty for all
	From, To time.Time   // zero for no limit
	Out      io.Writer
	Report   func(done, total int64) // is told how far it is; optional
}

// Export writes what is kept as CSV and returns how much that was.
func Export(ctx context.Context, opts ExportOptions) (out store.Exported, err error) {
	db, err := openToRead(ctx, opts.DataDir)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	f := &opts.Config.Farm
	layouts, err := Layouts(ctx, opts.DataDir)
	if err != nil {
		return out, err
	}
	var ids []pulse.SensorID
	for _, l := range []farm.Layout{f.Layout(), layouts.Gone()} {
		for _, s := range l.Sources() {
			if id := detect.SensorID(f, s); (opts.Source == "" || s == opts.Source) && !slices.Contains(ids, id) {
				ids = append(ids, id)
			}
		}
	}
	return db.ExportCSV(ctx, opts.Out, store.Export{Sensors: ids, From: opts.From, To: opts.To, Location: f.Location, Report: opts.Report})
}

// ExportActions writes what people did, for a replay to play along.
func ExportActions(ctx context.Context, dir string, w io.Writer) error {
	return exportJournal(ctx, dir, func(j *journal.Journal) error { return j.ExportActions(ctx, w) })
}

// ExportAlarms writes the alarms, and what was told of them.
func ExportAlarms(ctx context.Context, dir string, w io.Writer) error {
	return exportJournal(ctx, dir, func(j *journal.Journal) error { return j.ExportAlarms(ctx, w) })
}

func exportJournal(ctx context.Context, dir string, export func(*journal.Journal) error) error {
	if !used(dir) {
		return fmt.Errorf("there is no data in %s: %w\nhint: give the folder of the night watch with --data", dir, store.ErrMissing)
	}
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return err
	}
	return errors.Join(export(j), j.Close())
}
