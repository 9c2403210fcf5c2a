package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// ImportOptions say what old readings to take in. One of Table and Capture is required.
type ImportOptions struct {
	Config  *config.Config
	DataDir string
	Table   io.Reader // as nightwire export writes it
	Capture io.Reader // as mosquitto_sub -F %J writes it

	// Packing is told how far packing is, once all is read. Optional.
	Packing func(done, total int64)
}

// Imported says what became of what was to be imported.
type Imported struct {
	New, Known, Unusable int
	FirstBad             error
}

// String says it in a line.
func (i Imported) String() string {
	s := fmt.Sprintf("%d readings were new, %d were there before", i.New, i.Known)
	if i.Unusable > 0 {
		s += fmt.Sprintf(", %d could not be used, the first because: %v", i.Unusable, i.FirstBad)
	}
	return s
}

// importBatch is how many readings are stored at once.
const importBatch = 5000

// Import takes old readings into the store, where they wake nobody. The watch must not run meanwhile; at its next start
// the detectors read the past anew.
func Import(ctx context.Context, opts ImportOptions) (out Imported, err error) {
	if err := makeDataDir(opts.DataDir); err != nil {
		return out, err
	}
	db, err := store.Open(ctx, store.Options{Path: filepath.Join(opts.DataDir, storeFile)})
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	im := importer{ctx: ctx, db: db, out: &out}
	if opts.Table != nil {
		im.table(opts.Table)
	} else if err := im.capture(opts.Config, opts.Capture); err != nil {
		return out, err
	}
	if err := errors.Join(im.flush(), im.err); err != nil {
		return out, err
	}
	if out.New == 0 {
		return out, nil
	}
	if err := db.Pack(ctx, opts.Packing); err != nil {
		return out, err
	}
	if err := os.Remove(filepath.Join(opts.DataDir, memoryFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return out, fmt.Errorf("let the detectors forget: %w\nhint: delete %s by hand before the next start", err, filepath.Join(opts.DataDir, memoryFile))
	}
	return out, nil
}

// importer stores readings batch by batch.
type importer struct {
	ctx   context.Context
	db    *store.DB
	out   *Imported
	batch []pulse.Reading
	err   error // of the store; nothing is taken after it
}

func (im *importer) table(in io.Reader) {
	for r, err := range store.ReadCSV(in) {
		if err != nil {
			im.bad(err)
			continue
		}
		if im.take(r); im.err != nil {
			return
		}
	}
}

func (im *importer) capture(cfg *config.Config, in io.Reader) error {
	known, err := newSensors(&cfg.Farm)
	if err != nil {
		return err
	}
	err = eachLine(im.ctx, in, func(n int, text []byte) {
		if im.err != nil {
			return
		}
		m, err := parseCaptured(text)
		if err != nil {
			im.bad(&lineError{n, err})
			return
		}
		rs, ours, err := known.read(m.topic, m.payload, m.at, m.retained)
		if err == nil && !ours {
			err = errNoSensor
		}
		if err != nil {
			im.bad(&lineError{n, err})
			return
		}
		for _, r := range rs {
			im.take(r)
		}
	})
	if err != nil {
		return fmt.Errorf("read the capture: %w", err)
	}
	return nil
}

func (im *importer) bad(err error) {
	if im.out.Unusable++; im.out.FirstBad == nil {
		im.out.FirstBad = err
	}
}

func (im *importer) take(r pulse.Reading) {
	if im.batch = append(im.batch, r); len(im.batch) >= importBatch {
		im.err = im.flush()
	}
}

func (im *importer) flush() error {
	fresh, err := im.db.Append(im.ctx, im.batch)
	if err != nil {
		return err
	}
	im.out.New += len(fresh)
	im.out.Known += len(im.batch) - len(fresh)
	im.batch = im.batch[:0]
	return nil
}
