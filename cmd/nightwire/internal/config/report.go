package config

import (
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Report writes what a checked farm file promises: the voltage to expect in each zone when the fence is clean and dry,
// each minimum and where it comes from, what is allowed but worth a thought, and the cautions. Expected returns the
// volts at the far end of each zone by its name.
func Report(w io.Writer, c *Config, expected func(farm.Farm) map[string]float64) error {
	var b strings.Builder
	f := &c.Farm
	fmt.Fprintf(&b, "%s: no mistakes.\n\n%s: %s, %s, %s. Times are %s.\n", c.Path, f.Name,
		count(len(f.Energizers), "energizer", "energizers"), count(len(f.Zones), "zone", "zones"),
		count(len(f.People), "person", "people"), f.Location)
	volts := expected(*f)
	for i := range f.Energizers {
		reportEnergizer(&b, f, &f.Energizers[i], volts)
	}
	b.WriteString("\nExpected voltages are for a clean, dry fence; sensors and weather move them.\n")
	section(&b, "Default minimums are this program's own proposal, not a published standard; minimum_kv sets another", alerts.MinimumStandings(f))
	section(&b, "Worth a thought", c.notes(volts))
	section(&b, "Cautions", cautionLines())
	_, err := io.WriteString(w, b.String())
	return err
}

// reportEnergizer writes the zones that one energizer feeds.
func reportEnergizer(b *strings.Builder, f *farm.Farm, e *farm.Energizer, volts map[string]float64) {
	fmt.Fprintf(b, "\nEnergizer %s (%s, %s kV unhooked):\n", e.Name, e.Supply, exactKV(e.OpenVolts))
	zones := f.Feeding(e.Name)
	if len(zones) == 0 {
		b.WriteString("  feeds no zone\n")
		return
	}
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  zone\tfed by\tlength\texpect\tminimum\tfrom")
	for _, z := range zones {
		expect := "–"
		if v, ok := volts[z.Name]; ok {
			expect = kv(v) + " kV"
		}
		fmt.Fprintf(t, "  %s\t%s\t%g m\t%s\t%s kV\t%s\n", z.Name, z.FedBy, z.LengthM, expect, exactKV(z.MinimumVolts), minimumFrom(z))
	}
	_ = t.Flush() // writes to a strings.Builder, which cannot fail
}

func minimumFrom(z *farm.Zone) string {
	if z.MinimumGiven {
		return "this file"
	}
	if z.Training {
		return "our default for " + z.Stock + " in training"
	}
	return "our default for " + z.Stock
}

// notes returns what is allowed but may not be what the keeper means.
func (c *Config) notes(volts map[string]float64) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	f := &c.Farm
	if f.Location == time.UTC {
		add("No time zone but UTC: quiet hours and daily messages go by UTC. Set timezone.")
	}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		if e.Sensor.Topic == "" {
			add("Energizer %s has no sensor: whether it or the fence is at fault is harder to tell.", e.Name)
		}
		if e.PulseEvery < time.Second {
			add("Energizer %s pulses every %s. Energizers are not to pulse more than once a second (BS EN 60335-2-76, in Professional Electrician).", e.Name, e.PulseEvery)
		}
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		if z.Sensor.Topic == "" {
			add("Zone %s has no sensor: nothing watches its far end.", z.Name)
		}
		if need := z.NeedVolts(); need > z.MinimumVolts {
			add("Zone %s is for training, and alarms only under %s kV. We would hold %s kV where animals learn; leave minimum_kv out for that.", z.Name, exactKV(z.MinimumVolts), exactKV(need))
		}
		if v, ok := volts[z.Name]; ok && v < z.MinimumVolts {
			add("Zone %s cannot reach its minimum even when clean: %s kV of %s kV. A better wire, a shorter run or a stronger energizer.", z.Name, kv(v), exactKV(z.MinimumVolts))
		}
	}
	if len(f.People) == 0 {
		add("No people: alarms show on the page, and nobody is told. Add people and channels.")
	}
	if host, _, err := net.SplitHostPort(c.Broker.Listen); c.Broker.Embedded() && err == nil && loopback(host) {
		add("The built-in broker listens on this machine only (%s): sensors on the network cannot reach it. Set broker.listen.", c.Broker.Listen)
	}
	if len(f.People) > 0 && c.Alarms.WeeklyTest.Off() {
		add("No weekly test: that messages still reach people shows only when they are needed. Set alarms.weekly_test.")
	}
	if len(f.People) > 0 && c.Page.URL == "" {
		add("No page.url: messages cannot carry a link to acknowledge an alarm.")
	}
	return out
}

func cautionLines() []string {
	var out []string
	for _, c := range alerts.Cautions() {
		out = append(out, fmt.Sprintf("%s [%s]", c.Text, c.Standing))
	}
	return out
}

// section writes a heading and its lines, or nothing when there are none.
func section(b *strings.Builder, heading string, lines []string) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s:\n", heading)
	for _, line := range lines {
		fmt.Fprintf(b, "  - %s\n", line)
	}
}

// kv writes computed volts as kilovolts, with the digits that mean something on a fence.
func kv(volts float64) string { return strconv.FormatFloat(volts/1000, 'f', 1, 64) }

// exactKV writes volts from the file as kilovolts, as they stand there.
func exactKV(volts float64) string { return strconv.FormatFloat(volts/1000, 'f', -1, 64) }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
