package store

import (
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

func TestColumnComesBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	fill := func(n int, f func(i int) int64) []int64 {
		out := make([]int64, n)
		for i := range out {
			out[i] = f(i)
		}
		return out
	}
	tests := []struct {
		name    string
		vals    []int64
		atMost  int // bytes
		because string
	}{
		{"nothing", nil, 0, "nothing to say"},
		{"one", []int64{-7}, 6, "a head"},
		{"two", []int64{5, -5}, 8, "a head and a code"},
		{"constant", fill(1440, func(int) int64 { return 46_000 }), 10, "one run of zeros"},
		{"counter", fill(1440, func(i int) int64 { return int64(i) * 1000 }), 10, "one step, one run"},
		{"clock by the minute", fill(1440, func(i int) int64 { return day0.UnixMilli() + int64(i)*60_000 }), 16, "one step, one run"},
		{"clock with a gap", fill(1440, func(i int) int64 { return int64(i)*60_000 + int64(i/700)*86_400_000 }), 60, "two odd steps"},
		{"noise in steps of ten", fill(1440, func(int) int64 { return 7_400_000 + 10_000*int64(rng.NormFloat64()*7) }), 1440 * 6 / 8, "5 bits of noise"},
		{"mostly zero", fill(1440, func(i int) int64 { return int64(i % 100 / 99) }), 120, "28 spikes and the runs between"},
		{"parabola", fill(1440, func(i int) int64 { return int64(i) * int64(i) }), 1440 * 12 / 8, "differences of up to 11 bits"},
		{"any bits", fill(500, func(int) int64 { return int64(rng.Uint64()) }), 500 * 12, "no order to find"},
		{"extremes", []int64{math.MinInt64, math.MaxInt64, 0, -1, math.MinInt64, math.MinInt64}, 80, "no order to find"},
		{"extremes on a grid", []int64{math.MinInt64, 0, math.MinInt64}, 40, "the step is 1<<63"},
		{"one far out", fill(1440, func(i int) int64 { return int64(i/700) - int64(i/701) + int64(i/1439)<<50 }), 60, "one escape"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := new(packer).column(nil, tt.vals)
			got, err := unpackColumn(nil, b, len(tt.vals))
			if err != nil || !slices.Equal(got, tt.vals) {
				t.Fatalf("%v (-want +got):\n%s", err, cmp.Diff(tt.vals, got))
			}
			if len(b) > tt.atMost {
				t.Errorf("%d bytes, want at most %d: %s", len(b), tt.atMost, tt.because)
			}
		})
	}
}

func TestBitsComeBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	type code struct {
		v    uint64
		k    uint
		kind int
	}
	var codes []code
	w := bitWriter{free: 64}
	for range 20_000 {
		c := code{v: rng.Uint64() >> rng.UintN(64), k: rng.UintN(maxRice + 1), kind: rng.IntN(2)}
		if c.kind == 0 {
			w.rice(c.v, c.k)
		} else {
			c.v = c.v&(1<<27-1) + 1
			w.gamma(c.v)
		}
		codes = append(codes, c)
	}
	r := bitReader{buf: w.bytes()}
	for i, c := range codes {
		var got uint64
		if c.kind == 0 {
			got = r.rice(c.k)
		} else {
			got = r.gamma()
		}
		if got != c.v {
			t.Fatalf("code %d (%+v): got %d", i, c, got)
		}
	}
	if r.overrun() {
		t.Error("read past the end")
	}
	if r.rice(3); r.pos > 8*uint(len(r.buf))+8 {
		t.Error("the end is further than a byte away")
	}
	r.pos = 8*uint(len(r.buf)) + 1
	if !r.overrun() {
		t.Error("an overrun is not seen")
	}
}

// oddReadings carry any subset of fields, values of any size, and times before 1970 and far apart.
func oddReadings(rng *rand.Rand, n int) []pulse.Reading {
	rs := make([]pulse.Reading, n)
	at := day0
	if rng.IntN(4) == 0 {
		at = time.Date(1969, 12, 31, 23, 0, 0, 0, time.UTC)
	}
	for i := range rs {
		at = at.Add(time.Duration(1+rng.Int64N(1<<rng.IntN(24))) * time.Millisecond)
		rs[i] = pulse.Reading{Sensor: "a", At: at, Arrived: at.Add(time.Duration(rng.Int64N(1<<rng.IntN(40))-50) * time.Millisecond)}
		for f := range pulse.NumFields {
			switch rng.IntN(12) {
			case 0:
			case 1:
				rs[i].Set(f, rng.Float64()*math.Pow(10, float64(rng.IntN(16))))
			default:
				rs[i].Set(f, float64(f)*100+float64(rng.IntN(50)))
			}
		}
	}
	return rs
}

func TestBlockComesBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var p packer
	var u unpacker
	for round := range 200 {
		rs := oddReadings(rng, 1+rng.IntN(300))
		head, data := p.block(rs)
		got, err := u.readings(nil, "a", data)
		if diff := diffReadings(rs, got); diff != "" || err != nil {
			t.Fatalf("round %d: %v (-want +got):\n%s", round, err, diff)
		}
		for f := range pulse.NumFields {
			checkField(t, &u, rs, head, data, f)
		}
	}
}

// checkField compares what a block and its head say about one field with the readings themselves.
func checkField(t *testing.T, u *unpacker, rs []pulse.Reading, head, data []byte, f pulse.Field) {
	t.Helper()
	hours, err := u.summary(nil, head, f)
	if err != nil {
		t.Fatal(err)
	}
	at, vals, err := u.field(data, f)
	if err != nil {
		t.Fatal(err)
	}
	want := make(map[int64]tally)
	k := 0
	for i := range rs {
		v, ok := rs[i].Get(f)
		if !ok {
			continue
		}
		if k >= len(at) || at[k] != rs[i].At.UnixMilli() || vals[k] != v {
			t.Fatalf("%v: reading %d of the block differs", f, k)
		}
		k++
		h := floorTo(rs[i].At.UnixMilli(), hourMS)
		sum := want[h]
		sum.add(tally{n: 1, min: v, max: v, mean: v})
		want[h] = sum
	}
	if k != len(at) {
		t.Errorf("%v: %d values, want %d", f, len(at), k)
	}
	for _, h := range hours {
		w := want[h.from]
		delete(want, h.from)
		if h.n != w.n || h.min != w.min || h.max != w.max || math.Abs(h.mean-w.mean) > 0.0006+w.mean*1e-12 {
			t.Errorf("%v: hour %d says %+v, want %+v", f, h.from, h.tally, w)
		}
	}
	if len(want) > 0 {
		t.Errorf("%v: hours missing: %v", f, want)
	}
}

func TestBatchComesBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 100 {
		rs := oddReadings(rng, 1+rng.IntN(50))
		ids := make([]int64, len(rs))
		for i := range ids {
			ids[i] = rng.Int64N(1 << rng.IntN(40))
		}
		gotIDs, got, err := readBatch(appendBatch(nil, ids, rs))
		if diff := diffReadings(rs, got); diff != "" || err != nil || !slices.Equal(ids, gotIDs) {
			t.Fatalf("%v (-want +got):\n%s", err, diff)
		}
	}
}

func readBatch(data []byte) (ids []int64, rs []pulse.Reading, err error) {
	b, err := openBatch(data)
	if err != nil {
		return nil, nil, err
	}
	for {
		id, body, ok, err := b.next()
		if !ok {
			return ids, rs, err
		}
		r := pulse.Reading{Sensor: "a"}
		if err := b.reading(&r, body); err != nil {
			return nil, nil, err
		}
		ids, rs = append(ids, id), append(rs, r)
	}
}

// TestDamageIsSeen changes every byte of a block, its head and a batch in turn.
func TestDamageIsSeen(t *testing.T) {
	rs := full(rand.New(rand.NewPCG(5, 5)), series(rand.New(rand.NewPCG(5, 6)), "a", day0, 100, time.Second))
	head, data := new(packer).block(rs)
	tests := []struct {
		name  string
		bytes []byte
		read  func(b []byte) error
	}{
		{"data", data, func(b []byte) error { _, err := new(unpacker).readings(nil, "a", b); return err }},
		{"times", data, func(b []byte) error { _, err := new(unpacker).times(b); return err }},
		{"field", data, func(b []byte) error { _, _, err := new(unpacker).field(b, pulse.Volts); return err }},
		{"head", head, func(b []byte) error { _, err := new(unpacker).summary(nil, b, pulse.Volts); return err }},
		{"batch", appendBatch(nil, make([]int64, len(rs)), rs), func(b []byte) error { _, _, err := readBatch(b); return err }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.read(tt.bytes); err != nil {
				t.Fatal(err)
			}
			for i := range tt.bytes {
				b := slices.Clone(tt.bytes)
				b[i] ^= 0x10
				if err := tt.read(b); !errors.Is(err, errDamaged) {
					t.Fatalf("byte %d changed: got %v", i, err)
				}
				if err := tt.read(tt.bytes[:i]); !errors.Is(err, errDamaged) {
					t.Fatalf("cut to %d bytes: got %v", i, err)
				}
			}
		})
	}
}

// reseal gives fuzzed bytes a good format and checksum, or nothing would ever get past them.
func reseal(b []byte, format byte) []byte { return seal(append([]byte{format}, b...)) }

// body takes format and checksum off again, for seeds.
func body(b []byte) []byte { return b[1 : len(b)-4] }

func FuzzBlock(f *testing.F) {
	rng := rand.New(rand.NewPCG(6, 6))
	for _, n := range []int{1, 2, 60} {
		_, data := new(packer).block(oddReadings(rng, n))
		f.Add(body(data))
	}
	_, data := new(packer).block(series(rng, "a", day0, 1440, 0))
	f.Add(body(data))
	f.Fuzz(func(t *testing.T, b []byte) {
		var u unpacker
		data := reseal(b, formatBlock)
		rs, err := u.readings(nil, "a", data)
		if len(rs) > maxBlock || err != nil && len(rs) > 0 {
			t.Fatalf("%d readings, %v", len(rs), err)
		}
		for field := range pulse.NumFields {
			at, vals, ferr := u.field(data, field)
			if len(at) != len(vals) || err == nil && ferr != nil {
				t.Fatalf("field %v: %d times, %d values, %v", field, len(at), len(vals), ferr)
			}
		}
		if err != nil {
			return
		}
		// What can be read can be written and read again.
		_, again := new(packer).block(rs)
		back, err := u.readings(nil, "a", again)
		if err != nil || len(back) != len(rs) {
			t.Fatalf("%d readings came back as %d, %v", len(rs), len(back), err)
		}
	})
}

func FuzzHead(f *testing.F) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, n := range []int{1, 2, 60} {
		head, _ := new(packer).block(oddReadings(rng, n))
		f.Add(body(head))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for field := range pulse.NumFields {
			hours, err := new(unpacker).summary(nil, reseal(b, formatSummary), field)
			if len(hours) > maxBlock || err != nil && len(hours) > 0 {
				t.Fatalf("%d hours, %v", len(hours), err)
			}
		}
	})
}

func FuzzBatch(f *testing.F) {
	rng := rand.New(rand.NewPCG(8, 8))
	for _, n := range []int{1, 2, 60} {
		f.Add(body(appendBatch(nil, make([]int64, n), oddReadings(rng, n))))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		_, rs, err := readBatch(reseal(b, formatBatch))
		if len(rs) > maxBatch || err != nil && !errors.Is(err, errDamaged) {
			t.Fatalf("%d readings, %v", len(rs), err)
		}
	})
}

// FuzzColumn packs any numbers; they must come back.
func FuzzColumn(f *testing.F) {
	f.Add([]byte("sixteen bytes ok"), byte(8))
	f.Add([]byte{0, 1, 0, 1, 0, 2, 255, 1}, byte(1))
	f.Fuzz(func(t *testing.T, b []byte, width byte) {
		w := int(width%8) + 1
		var vals []int64
		for ; len(b) >= w && len(vals) < maxBlock; b = b[w:] {
			var word [8]byte
			copy(word[8-w:], b[:w])
			vals = append(vals, int64(binary.BigEndian.Uint64(word[:])))
		}
		got, err := unpackColumn(nil, new(packer).column(nil, vals), len(vals))
		if err != nil || !slices.Equal(got, vals) {
			t.Fatalf("%v: got %v, want %v", err, got, vals)
		}
	})
}

// TestBatchValues reads each field alone and as part of its reading, also of bytes that were cut short.
func TestBatchValues(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	rs, ids := make([]pulse.Reading, 300), make([]int64, 300)
	for i := range rs {
		ids[i] = int64(1 + i%3)
		rs[i] = pulse.Reading{At: day0.Add(time.Duration(i) * time.Second), Arrived: day0.Add(time.Hour)}
		for f := range pulse.NumFields {
			if rng.IntN(2) == 0 {
				rs[i].Set(f, (rng.Float64()-.5)*math.Pow(10, float64(rng.IntN(16)))) // raw ones too
			}
		}
	}
	b, err := openBatch(appendBatch(nil, ids, rs))
	if err != nil {
		t.Fatal(err)
	}
	for i := range rs {
		_, body, ok, err := b.next()
		if err != nil || !ok {
			t.Fatalf("reading %d: %t, %v", i, ok, err)
		}
		for f := range pulse.NumFields {
			want, had := rs[i].Get(f)
			got, has, err := b.value(f, body)
			if err != nil || has != had || has && got != want {
				t.Errorf("field %v of reading %d is %v, %t, %v; want %v, %t", f, i, got, has, err, want, had)
			}
			if _, has, err := b.value(f, body[:rng.IntN(2)]); has || !errors.Is(err, errDamaged) {
				t.Errorf("field %v of reading %d, cut short, is there: %t, %v", f, i, has, err)
			}
		}
	}
}
