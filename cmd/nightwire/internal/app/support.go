package app

import (
	"archive/tar"
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/daylog"
	"nightwire/ingest/store"
)

// countersFile holds the watch's figures as they were within the last hour.
const countersFile = "counters.prom"

// SupportOptions says what to pack.
type SupportOptions struct {
	Config  *config.Config // its secrets are never packed; those that could be read are also looked for in what is
	Text    []byte         // of the farm file
	DataDir string
	Version string
	Now     time.Time
}

// supportFile is one file of a support archive.
type supportFile struct {
	name string
	text []byte
}

// errSecret says that a support archive would have held a secret. It cannot happen as far as we know, and is looked for
// all the same before anything is written.
var errSecret = errors.New("the archive would hold a secret, so it was not written\nhint: please tell whoever helps that this happened, and what stood in the log")

// Support packs what somebody who helps needs, as a gzipped tar: versions, the farm file without people and secrets,
// figures, the last day's log, and facts about the data file. It holds no readings, no people and no passwords, and
// works beside a watch that runs.
func Support(ctx context.Context, w io.Writer, opts SupportOptions) error {
	if !used(opts.DataDir) {
		return fmt.Errorf("there is no data in %s: %w\nhint: give the folder of the night watch with --data", opts.DataDir, store.ErrMissing)
	}
	files, err := supportFiles(ctx, opts)
	if err != nil {
		return err
	}
	for _, f := range files {
		for _, secret := range opts.Config.Revealed() {
			if bytes.Contains(f.text, []byte(secret)) {
				return fmt.Errorf("%s: %w", f.name, errSecret)
			}
		}
	}
	return packFiles(w, files, opts.Now)
}

func supportFiles(ctx context.Context, opts SupportOptions) ([]supportFile, error) {
	farm, err := config.Redacted(opts.Text)
	if err != nil {
		return nil, err
	}
	private := discretion(opts.Config)
	files := []supportFile{
		{"about.txt", []byte(about(opts))},
		{"farm.yaml", []byte(private(farm))},
	}
	facts, err := store.Facts(ctx, filepath.Join(opts.DataDir, storeFile))
	if err != nil {
		facts = err.Error() + "\n" // a file that cannot be read is what help may be wanted with
	}
	files = append(files, supportFile{"database.txt", []byte(private(facts))})
	lines, err := daylog.Since(opts.DataDir, opts.Now.Add(-24*time.Hour))
	if err != nil {
		return nil, fmt.Errorf("read the last day's log: %w\nhint: run this as the user that runs the night watch, or as root", err)
	}
	files = append(files, supportFile{"log.txt", []byte(private(string(lines)))})
	counters, err := os.ReadFile(filepath.Join(opts.DataDir, countersFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read the figures: %w\nhint: run this as the user that runs the night watch, or as root", err)
	}
	return append(files, supportFile{"counters.txt", []byte(private(withoutReadings(string(counters))))}), nil
}

// withoutReadings leaves out of the figures what sensors measured.
func withoutReadings(counters string) string {
	var b strings.Builder
	for line := range strings.Lines(counters) {
		if !strings.Contains(line, "nightwire_fence_volts") {
			b.WriteString(line)
		}
	}
	return b.String()
}

var (
	tokenInLink = regexp.MustCompile(`/a/[A-Za-z0-9_.%-]+`)
	measured    = regexp.MustCompile(`\d+(\.\d+)? ?kV\b`)
)

// discretion returns what takes people, their addresses, secrets, links and voltages out of a text.
func discretion(cfg *config.Config) func(string) string {
	as := map[string]string{}
	hide := func(s, shown string) {
		if len(s) > 1 {
			as[s] = shown
		}
	}
	for _, secret := range cfg.Revealed() {
		hide(secret, "***")
	}
	for i := range cfg.Farm.People {
		p := &cfg.Farm.People[i]
		for _, r := range p.Routes {
			hide(r.Address, fmt.Sprintf("address-of-person-%d", i+1))
		}
	}
	for i := range cfg.Farm.People {
		hide(cfg.Farm.People[i].Name, fmt.Sprintf("person-%d", i+1))
	}
	var pairs []string
	// The longest first, so that a name which holds another is hidden whole.
	for _, s := range slices.SortedFunc(maps.Keys(as), func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) }) {
		pairs = append(pairs, s, as[s])
	}
	r := strings.NewReplacer(pairs...)
	return func(s string) string {
		return measured.ReplaceAllString(tokenInLink.ReplaceAllString(r.Replace(s), "/a/***"), "? kV")
	}
}

// about writes versions, the machine, and what lies in the data folder.
func about(opts SupportOptions) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Packed by nightwire support. No readings, people or passwords are in it; look before you hand it on.\n\n")
	fmt.Fprintf(&b, "nightwire %s, %s, %s/%s, %d processors\n", opts.Version, runtime.Version(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU())
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			fmt.Fprintf(&b, "  %s=%s\n", s.Key, s.Value)
		}
		for _, m := range info.Deps {
			fmt.Fprintf(&b, "  %s %s\n", m.Path, m.Version)
		}
	}
	for _, path := range []string{"/proc/sys/kernel/osrelease", "/proc/loadavg", "/proc/uptime"} {
		if text, err := os.ReadFile(path); err == nil {
			fmt.Fprintf(&b, "%s: %s\n", path, bytes.TrimSpace(text))
		}
	}
	fmt.Fprintf(&b, "now: %s\n%s\n", opts.Now.UTC().Format(time.RFC3339), aliveText(opts.DataDir, opts.Now))
	var disk syscall.Statfs_t
	if err := syscall.Statfs(opts.DataDir, &disk); err == nil {
		fmt.Fprintf(&b, "disk: %d MB free of %d MB\n", disk.Bavail*uint64(disk.Bsize)>>20, disk.Blocks*uint64(disk.Bsize)>>20)
	}
	entries, err := os.ReadDir(opts.DataDir)
	if err != nil {
		fmt.Fprintf(&b, "%v\n", err)
	}
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			fmt.Fprintf(&b, "%s %10d %s %s\n", info.Mode(), info.Size(), info.ModTime().UTC().Format(time.RFC3339), e.Name())
		}
	}
	return b.String()
}

// packFiles writes the archive.
func packFiles(w io.Writer, files []supportFile, now time.Time) error {
	z := gzip.NewWriter(w)
	t := tar.NewWriter(z)
	for _, f := range files {
		h := &tar.Header{Name: "nightwire-support/" + f.name, Mode: 0o600, Size: int64(len(f.text)), ModTime: now}
		if err := t.WriteHeader(h); err != nil {
			return fmt.Errorf("pack %s: %w", f.name, err)
		}
		if _, err := t.Write(f.text); err != nil {
			return fmt.Errorf("pack %s: %w", f.name, err)
		}
	}
	return errors.Join(t.Close(), z.Close())
}
