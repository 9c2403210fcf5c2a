package store

import (
	"context"
	"database/sql"
	"errors"
	"maps"
	"slices"

	"nightwire/ingest/pulse"
)

const (
	packReadings = 100_000 // how many readings Pack holds in memory at a time, about 15 MB
	packSensors  = 64      // how many sensors one transaction packs: it keeps Append waiting for some 20 ms
	dropRows     = 1000    // how many fresh rows one transaction removes
)

// Pack seals all readings that are fresh when it starts into blocks and removes the rows they came in, except those
// that a follower has still to read. It works in short transactions, so that Append can go on. Stopped anywhere it
// loses nothing: rows go only when all of them are in blocks, and until then readers see both and give each reading
// once. Each call writes the blocks of the day anew, so once an hour is often enough; after an import call it at once.
// Report, if not nil, is told how far it is.
func (db *DB) Pack(ctx context.Context, report func(done, total int64)) error {
	if db.w == nil {
		return explain(errNoWriter, "pack", db.path)
	}
	db.w.packing.Lock()
	defer db.w.packing.Unlock()
	if report == nil {
		report = func(int64, int64) {}
	}
	j := packJob{db: db, w: db.w, report: report}
	return explain(j.run(ctx), "pack", db.path)
}

// packJob is one Pack under way.
type packJob struct {
	db          *DB
	w           *writer
	report      func(done, total int64)
	start, end  int64 // of all rows to pack
	done        int64
	damaged     []int64       // rows
	counts      map[int64]int // readings of each sensor in the span
	pack        packer
	unpack      unpacker
	merged, old []pulse.Reading
	blocks      blockStmts
}

// blockStmts are the statements that Pack runs for each sensor, good for one transaction, which closes them.
type blockStmts struct{ touched, remove, add *sql.Stmt }

func prepareBlocks(ctx context.Context, tx *sql.Tx) (b blockStmts, err error) {
	for _, s := range []struct {
		to    **sql.Stmt
		query string
	}{
		{&b.touched, `SELECT id, to_ms, n, data FROM store_block WHERE sensor = ?1 AND from_ms >= ?2
			AND from_ms >= coalesce((SELECT max(from_ms) FROM store_block WHERE sensor = ?1 AND from_ms <= ?3), ?2)
			AND from_ms <= ?4 ORDER BY from_ms`},
		{&b.remove, `DELETE FROM store_block WHERE id = ?`},
		{&b.add, `INSERT INTO store_block (id, sensor, from_ms, to_ms, n, head, data, kept) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`},
	} {
		if *s.to, err = tx.PrepareContext(ctx, s.query); err != nil {
			return b, err
		}
	}
	return b, nil
}

func (j *packJob) run(ctx context.Context) (err error) {
	if j.start, j.end, err = j.bounds(ctx); err != nil {
		return err
	}
	for from := j.start; from < j.end; {
		to, err := j.span(ctx, from)
		if err != nil {
			return err
		}
		groups := (to-from)/packReadings + 1
		for g := range groups {
			if err := j.group(ctx, from, to, g, groups); err != nil {
				return err
			}
		}
		if err := j.finish(ctx, to); err != nil {
			return err
		}
		from = to
	}
	return j.drop(ctx)
}

// bounds returns which rows there are to pack, all of them known to the writer.
func (j *packJob) bounds(ctx context.Context) (start, end int64, err error) {
	j.w.mu.Lock()
	defer j.w.mu.Unlock()
	if err := j.w.settle(ctx); err != nil {
		return 0, 0, err
	}
	return bounds(ctx, j.w.db)
}

// span returns where rows from from on hold packReadings of one sensor, or the end: so much is packed in one go.
func (j *packJob) span(ctx context.Context, from int64) (to int64, err error) {
	to, j.damaged, j.counts = from, nil, make(map[int64]int)
	full := false
	damaged := func(seq int64) {
		logDamaged(j.db.log)(seq)
		j.damaged = append(j.damaged, seq)
	}
	err = scanFresh(ctx, j.db.read, from, j.end, damaged, func(seq int64, n int, b *batch) error {
		if full {
			return errEnough
		}
		to = seq + int64(n)
		for {
			id, _, ok, err := b.next()
			if !ok {
				return err
			}
			j.counts[id]++
			full = full || j.counts[id] >= packReadings
		}
	})
	if errors.Is(err, errEnough) {
		return to, nil
	}
	return j.end, err // rows at the end may be damaged
}

// group packs those sensors whose number leaves g when divided by groups.
func (j *packJob) group(ctx context.Context, from, to, g, groups int64) error {
	bySensor := make(map[int64][]pulse.Reading)
	err := scanFresh(ctx, j.db.read, from, to, func(int64) {}, func(_ int64, _ int, b *batch) error {
		for {
			id, body, ok, err := b.next()
			if !ok {
				return err
			}
			if id%groups != g {
				continue
			}
			r := pulse.Reading{}
			if err := b.reading(&r, body); err != nil {
				return err
			}
			if bySensor[id] == nil {
				bySensor[id] = make([]pulse.Reading, 0, j.counts[id])
			}
			bySensor[id] = append(bySensor[id], r)
		}
	})
	if err != nil {
		return err
	}
	ids := slices.Sorted(maps.Keys(bySensor))
	for part := range slices.Chunk(ids, packSensors) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := j.sensors(ctx, part, bySensor); err != nil {
			return err
		}
		for _, id := range part {
			j.done += int64(len(bySensor[id]))
		}
		j.report(j.done, j.end-j.start)
	}
	return nil
}

// sensors packs a few sensors in one transaction and takes what is packed out of memory.
func (j *packJob) sensors(ctx context.Context, ids []int64, bySensor map[int64][]pulse.Reading) error {
	for _, id := range ids {
		name, err := j.db.name(ctx, j.db.read, id)
		if err != nil {
			return err
		}
		for i := range bySensor[id] {
			bySensor[id][i].Sensor = name
		}
		bySensor[id] = once(bySensor[id])
	}
	j.w.mu.Lock()
	defer j.w.mu.Unlock()
	tx, err := j.w.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if j.blocks, err = prepareBlocks(ctx, tx); err != nil {
		return err
	}
	for _, id := range ids {
		for rest := bySensor[id]; len(rest) > 0; {
			day := floorTo(rest[0].At.UnixMilli(), dayMS)
			n := slices.IndexFunc(rest, func(r pulse.Reading) bool { return r.At.UnixMilli() >= day+dayMS })
			if n < 0 {
				n = len(rest)
			}
			if err := j.day(ctx, tx, id, day, rest[:n]); err != nil {
				return err
			}
			rest = rest[n:]
		}
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	for _, id := range ids {
		rs := bySensor[id]
		if s := j.w.sensors[rs[0].Sensor]; s != nil {
			s.sealed(rs)
		}
	}
	return nil
}

// sealed takes readings that are now in blocks out of the sensor's memory.
func (s *sensor) sealed(rs []pulse.Reading) {
	s.packedTo = max(s.packedTo, rs[len(rs)-1].At.UnixMilli())
	rest := make([]int64, 0, max(0, len(s.fresh)-len(rs)))
	for _, ms := range s.fresh {
		for len(rs) > 0 && rs[0].At.UnixMilli() < ms {
			rs = rs[1:]
		}
		if len(rs) == 0 || rs[0].At.UnixMilli() != ms {
			rest = append(rest, ms)
		}
	}
	s.setFresh(rest)
}

// day merges readings of one sensor and UTC day, in order of time, into its blocks.
func (j *packJob) day(ctx context.Context, tx *sql.Tx, id, day int64, rs []pulse.Reading) error {
	if day < j.w.reduced {
		if gone, err := dayReduced(ctx, tx, id, day); gone || err != nil {
			return err // what retention took away does not come back
		}
	}
	ids, err := j.touched(ctx, tx, id, rs[0].Sensor, rs[0].At.UnixMilli(), rs[len(rs)-1].At.UnixMilli())
	if err != nil {
		return err
	}
	j.merged = append(append(j.merged[:0], j.old...), rs...)
	merged := once(j.merged)
	if len(merged) == len(j.old) {
		return nil // packed before, by a run that was interrupted
	}
	for _, block := range ids {
		if _, err := j.blocks.remove.ExecContext(ctx, block); err != nil {
			return err
		}
	}
	parts := (len(merged) + maxBlock - 1) / maxBlock
	size := (len(merged) + parts - 1) / parts
	for part := range slices.Chunk(merged, size) {
		var block any // NULL lets SQLite choose
		if len(ids) > 0 {
			block, ids = ids[0], ids[1:]
		}
		head, data := j.pack.block(part)
		_, err := j.blocks.add.ExecContext(ctx, block, id, part[0].At.UnixMilli(), part[len(part)-1].At.UnixMilli(), len(part), head, data, keptReadings)
		if err != nil {
			return err
		}
	}
	return nil
}

// touched leaves in j.old the readings of the blocks that what was read from first to last, on one day, falls into or
// follows on, and returns these blocks. A damaged one is put aside.
func (j *packJob) touched(ctx context.Context, tx *sql.Tx, id int64, name pulse.SensorID, first, last int64) (ids []int64, err error) {
	j.old = j.old[:0]
	rows, err := j.blocks.touched.QueryContext(ctx, id, floorTo(first, dayMS), first, last)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var damaged []int64
	for rows.Next() {
		var (
			block, to int64
			n         int
			data      sql.RawBytes
		)
		if err := rows.Scan(&block, &to, &n, &data); err != nil {
			return nil, err
		}
		if to < first && n >= maxBlock {
			continue
		}
		if j.old, err = j.unpack.readings(j.old, name, data); err != nil {
			damaged = append(damaged, block)
			continue
		}
		ids = append(ids, block)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	rows.Close()
	return ids, j.putAsideBlocks(ctx, tx, damaged)
}

func (j *packJob) putAsideBlocks(ctx context.Context, tx *sql.Tx, ids []int64) error {
	for _, id := range ids {
		j.db.log.Error("packed block is damaged and was put aside", "block", id)
		_, err := tx.ExecContext(ctx, `INSERT INTO store_damaged (found_ms, origin, data)
			SELECT CAST(unixepoch('subsec') * 1000 AS INTEGER), printf('block of sensor %d, %d to %d', sensor, from_ms, to_ms), data
			FROM store_block WHERE id = ?`, id)
		if err != nil {
			return err
		}
		if _, err := j.blocks.remove.ExecContext(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

// finish notes that everything numbered below to is in blocks, and puts aside rows that could not be read.
func (j *packJob) finish(ctx context.Context, to int64) error {
	return j.db.change(ctx, func(tx *sql.Tx) error {
		for _, seq := range j.damaged {
			_, err := tx.ExecContext(ctx, `INSERT INTO store_damaged (found_ms, origin, data)
				SELECT CAST(unixepoch('subsec') * 1000 AS INTEGER), printf('%d fresh readings from %d', n, seq), data FROM store_fresh WHERE seq = ?`, seq)
			if err != nil {
				return err
			}
		}
		return setState(ctx, tx, statePacked, to)
	})
}

// drop removes rows that are packed and passed by all followers.
func (j *packJob) drop(ctx context.Context) error {
	for more := true; more; {
		err := j.db.change(ctx, func(tx *sql.Tx) error {
			keep, err := state(ctx, tx, statePacked)
			if err != nil {
				return err
			}
			err = tx.QueryRowContext(ctx, `SELECT min(?1, coalesce(min(seq), ?1)) FROM store_follower`, keep).Scan(&keep)
			if err != nil {
				return err
			}
			var last, floor sql.NullInt64
			err = tx.QueryRowContext(ctx, `SELECT max(seq), max(seq + n) FROM
				(SELECT seq, n FROM store_fresh WHERE seq < ?1 AND seq + n <= ?1 ORDER BY seq LIMIT ?2)`, keep, dropRows).Scan(&last, &floor)
			if err != nil || !last.Valid {
				more = false
				return err
			}
			if _, err := tx.ExecContext(ctx, `DELETE FROM store_fresh WHERE seq <= ?`, last); err != nil {
				return err
			}
			return setState(ctx, tx, stateFloor, floor.Int64)
		})
		if err != nil {
			return err
		}
	}
	return nil
}
