package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/config"
)

func newInit() *cobra.Command {
	var d config.Draft
	var zones []string
	var out string
	cmd := &cobra.Command{
		Use:   "init",
		Short: "Write a first farm file",
		Long: `Init writes a farm file that passes the check. It asks what it needs to know; with --zone it asks nothing and takes
all from the flags. It never writes over a file.`,
		Example: `  nightwire init
  nightwire init --farm alder-bank --zone brook:180:pigs --zone hazel:240:pigs --mail-to aoife@example.org --mail-server smtp.example.org`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, z := range zones {
				zone, err := config.ParseDraftZone(z)
				if err != nil {
					return err
				}
				d.Zones = append(d.Zones, zone)
			}
			if len(d.Zones) == 0 {
				ask := questions{in: bufio.NewScanner(cmd.InOrStdin()), out: cmd.OutOrStdout()}
				if err := ask.all(&d); err != nil {
					return err
				}
			}
			return writeDraft(cmd.OutOrStdout(), &d, out)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&out, "out", "o", "farm.yaml", "the farm file to write")
	f.StringVar(&d.Farm, "farm", "home-farm", "the farm's name, short: it is part of topics")
	f.StringVar(&d.Timezone, "timezone", localZone(), "the farm's time zone")
	f.StringVar(&d.Energizer, "energizer", "shed", "the energizer's name")
	f.StringVar(&d.Supply, "supply", "battery", "what the energizer runs on: battery or mains")
	f.Float64Var(&d.OpenKV, "open-kv", 8, "the energizer's peak with the fence unhooked, kilovolts")
	f.Float64Var(&d.OhmsPerKM, "ohms-per-km", 4000, "the wire's resistance, all strands together")
	f.StringArrayVar(&zones, "zone", nil, "a zone, from the energizer outward: NAME:LENGTH_M:STOCK[:FED_BY]; once for each")
	f.StringVar(&d.Person, "person", "keeper", "who is woken")
	f.StringVar(&d.MailTo, "mail-to", "", "the mail address that alarms go to")
	f.StringVar(&d.MailServer, "mail-server", "", "the mail server, as host or host:port")
	f.StringVar(&d.MailUser, "mail-user", "", "the user name there; the password goes into the file mail-password")
	return cmd
}

// writeDraft writes the farm file and says what to do next.
func writeDraft(w io.Writer, d *config.Draft, path string) error {
	text, err := d.Text()
	if err != nil {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already, and is left as it is\nhint: name another file with --out", path)
	}
	if err != nil {
		return fmt.Errorf("write the farm file: %w\nhint: name a folder that you may write to with --out", err)
	}
	if _, err := file.Write(text); err != nil {
		return errors.Join(fmt.Errorf("write the farm file: %w", err), file.Close())
	}
	if err := file.Close(); err != nil {
		return fmt.Errorf("write the farm file: %w", err)
	}
	fmt.Fprintf(w, "Wrote %s. Next:\n", path)
	if d.MailUser != "" {
		fmt.Fprintf(w, "  put the mail password into %s, readable by you alone\n", filepath.Join(filepath.Dir(path), "mail-password"))
	}
	fmt.Fprintf(w, "  nightwire check %s\n", path)
	if d.MailTo != "" {
		fmt.Fprintf(w, "  nightwire send-test --config %s\n", path)
	}
	_, err = fmt.Fprintf(w, "  nightwire run --config %s\nA reading is never proof that a wire is dead or safe to touch: switch off, then test.\n", path)
	return err
}

// questions asks a person for a draft, line by line. An empty answer takes what stands in brackets.
type questions struct {
	in  *bufio.Scanner
	out io.Writer
}

// errUnanswered says that the input ended before all was answered.
var errUnanswered = errors.New("the answers ended before the questions did; nothing was written\nhint: give flags instead, see nightwire init --help")

// ask puts one question and returns its answer.
func (q *questions) ask(question, preset string) (string, error) {
	if preset != "" {
		question += " [" + preset + "]"
	}
	fmt.Fprint(q.out, question, ": ")
	if !q.in.Scan() {
		return "", cmp.Or(q.in.Err(), errUnanswered)
	}
	return cmp.Or(strings.TrimSpace(q.in.Text()), preset), nil
}

// text asks for words.
func (q *questions) text(question string, value *string) (err error) {
	*value, err = q.ask(question, *value)
	return err
}

// number asks for a number until it gets one.
func (q *questions) number(question string, value *float64) error {
	for {
		s, err := q.ask(question, strconv.FormatFloat(*value, 'g', -1, 64))
		if err != nil {
			return err
		}
		if x, err := strconv.ParseFloat(s, 64); err == nil && x > 0 {
			*value = x
			return nil
		}
		fmt.Fprintf(q.out, "%q is not a number above 0.\n", s)
	}
}

func (q *questions) all(d *config.Draft) error {
	err := inOrder(
		func() error { return q.text("Name of the farm, one short word", &d.Farm) },
		func() error { return q.text("Time zone", &d.Timezone) },
		func() error { return q.text("Name of the energizer", &d.Energizer) },
		func() error { return q.text("It runs on battery or mains", &d.Supply) },
		func() error { return q.number("Its peak with the fence unhooked, kV", &d.OpenKV) },
		func() error { return q.number("Ohms per kilometre of the wire, all strands together", &d.OhmsPerKM) },
		func() error { return q.zones(d) },
		func() error { return q.text("Mail address to wake you by; leave it empty to do this later", &d.MailTo) },
	)
	if err != nil || d.MailTo == "" {
		return err
	}
	return inOrder(
		func() error { return q.text("Your name", &d.Person) },
		func() error { return q.text("Your mail provider's server", &d.MailServer) },
		func() error { return q.text("User name there", &d.MailUser) },
	)
}

// inOrder takes steps until one fails.
func inOrder(steps ...func() error) error {
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func (q *questions) zones(d *config.Draft) error {
	fmt.Fprintln(q.out, "The zones, from the energizer outward, a line each: name, metres and stock, as: brook 180 pigs")
	fmt.Fprintln(q.out, "Where one is not fed by the one before it, add what feeds it, as: orchard 210 sheep", d.Energizer)
	for {
		s, err := q.ask("Zone", "no more")
		if err != nil {
			return err
		}
		if s == "no more" && len(d.Zones) > 0 {
			return nil
		}
		zone, err := config.ParseDraftZone(s)
		if err != nil {
			fmt.Fprintln(q.out, err)
			continue
		}
		d.Zones = append(d.Zones, zone)
	}
}

// localZone returns the name of this machine's time zone, UTC when it has none to tell.
func localZone() string {
	name := os.Getenv("TZ")
	if name == "" {
		target, _ := os.Readlink("/etc/localtime") // a machine without one runs on UTC
		_, name, _ = strings.Cut(target, "zoneinfo/")
	}
	if _, err := time.LoadLocation(name); err != nil || name == "" {
		return "UTC"
	}
	return strings.TrimPrefix(name, "Etc/")
}
