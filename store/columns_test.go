package store_test

import (
	"errors"
	"math"
	"path/filepath"
	"testing"

	"letthrough/capture/trace"
	"letthrough/store"

	"pgregory.net/rapid"
)

// checkColumns compares columns with plain sums over the samples of the window, in seconds from zero.
func checkColumns(t testing.TB, c store.Columns, in []trace.Sample, zeroNS int64, from, to float64, n int) {
	t.Helper()
	var window []trace.Sample
	for _, s := range in {
		at := s.AtNS - zeroNS
		if !(at < trace.NS(from)) && !(at > trace.NS(to)) || math.IsNaN(from) {
			window = append(window, s)
		}
	}
	if c.Single != (len(window) <= n) {
		t.Fatalf("single is %v for %d samples in %d columns", c.Single, len(window), n)
	}
	if len(c.T) > n || len(c.Min) != len(c.T) || len(c.Max) != len(c.T) || len(c.Mean) != len(c.T) || len(c.Flags) != len(c.T) {
		t.Fatalf("%d times, %d min, %d max, %d mean, %d flags; want as many of each, at most %d", len(c.T), len(c.Min), len(c.Max), len(c.Mean), len(c.Flags), n)
	}
	at := 0
	for i := range c.T {
		end := math.Inf(1)
		if i+1 < len(c.T) {
			end = c.T[i+1]
		}
		lo, hi, sum, k := math.Inf(1), math.Inf(-1), 0.0, 0
		var flags trace.Flags
		for ; at < len(window) && float64(window[at].AtNS-zeroNS)/1e9 < end; at++ {
			lo, hi = min(lo, window[at].Value), max(hi, window[at].Value)
			if !math.IsInf(window[at].Value, 0) {
				sum += window[at].Value
				k++
			}
			flags |= window[at].Flags
		}
		mean := sum / float64(k)
		if c.Min[i] != lo || c.Max[i] != hi || k > 0 && math.Abs(c.Mean[i]-mean) > 1e-9 || c.Flags[i] != flags {
			t.Fatalf("column %d at %v s: %v to %v, mean %v, flags %d; want %v to %v, mean %v, flags %d",
				i, c.T[i], c.Min[i], c.Max[i], c.Mean[i], c.Flags[i], lo, hi, mean, flags)
		}
	}
	if at != len(window) {
		t.Fatalf("the columns stand for %d samples, want %d", at, len(window))
	}
}

func TestColumnsOfAnyWindowAreExact(t *testing.T) {
	db := mustOpenAt(t, filepath.Join(t.TempDir(), "bench.db"), store.Options{Record: true, QueueSamples: 1_000_000})
	in := wave(700_000, 0, 100_000, 1)
	in[123_456].Value = 99.25 // a spike of one sample
	in[345_678].Value, in[345_678].Flags = math.Inf(-1), trace.Over
	in[345_900].Flags = trace.Gap
	ended := record(t, db, startOf(tin), endOf(trace.Latching), trace.Batch{Channel: shuntCurrent, Samples: in[:350_000]}, trace.Batch{Channel: shuntCurrent, Samples: in[350_000:]})
	open, err := db.Begin(startOf(tin))
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < len(in); at += 43_210 {
		db.Append(open, trace.Batch{Channel: shuntCurrent, Samples: in[at:min(at+43_210, len(in))]})
		mustFlush(t, db)
	}
	const zero = int64(1_500_000_000) // of the ended run; the open one has no onset yet
	check := func(t testing.TB, id, zero int64, from, to float64, n int) {
		t.Helper()
		cols, err := db.Columns(ctx, id, from, to, n)
		if err != nil || len(cols) != 1 || cols[0].Channel != shuntCurrent || cols[0].Unit != "A" {
			t.Fatalf("got %d channels and %v, want the current", len(cols), err)
		}
		checkColumns(t, cols[0], in, zero, from, to, n)
	}
	nan := math.NaN()
	for _, id := range []int64{ended, open} {
		z := int64(0)
		if id == ended {
			z = zero
		}
		check(t, id, z, nan, nan, 1200)
		check(t, id, z, nan, nan, 1)
		check(t, id, z, nan, nan, 20_000)
		check(t, id, z, 12, 12.05, 1200)
		check(t, id, z, 12, 12, 10)
		check(t, id, z, -5000, -4000, 10)
		check(t, id, z, 1e15, math.Inf(1), 10)
	}
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.Float64Range(-3, 72).Draw(rt, "from")
		to := from + math.Pow(10, rapid.Float64Range(-5, 1.9).Draw(rt, "log width"))
		n := rapid.SampledFrom([]int{1, 7, 100, 1200, 5000}).Draw(rt, "n")
		check(t, ended, zero, from, to, n)
		check(t, open, 0, from, to, n)
	})
	db.End(open, endOf(trace.Latching))
}

func TestColumnsOfOddChannels(t *testing.T) {
	back := wave(50_000, 0, 100_000, 4)
	for i := 20_000; i < 30_000; i++ {
		back[i].AtNS -= 700_000_000 // a clock that jumped back
	}
	uneven := append(wave(300_000, 0, 10_000, 5), wave(500, 5e9, 50e6, 6)...) // dense, then slow
	equal := wave(5000, 0, 0, 7)
	for name, in := range map[string][]trace.Sample{"times go back": back, "uneven rate": uneven, "all at one time": equal, "one sample": wave(1, 5, 1, 8)} {
		t.Run(name, func(t *testing.T) {
			db := mustOpen(t)
			id := record(t, db, startOf(tin), trace.RunEnd{State: trace.RunComplete}, trace.Batch{Channel: shuntCurrent, Samples: in})
			checkSamples(t, samplesOf(t, db, id, shuntCurrent), in)
			for _, n := range []int{1, 100, 600, 3000} {
				for _, w := range [][2]float64{{math.NaN(), math.NaN()}, {0.9, 1.9}, {1.5, 99}, {5.5, 99}} {
					cols, err := db.Columns(ctx, id, w[0], w[1], n)
					if err != nil {
						t.Fatal(err)
					}
					inWindow, lo, hi := 0, math.Inf(1), math.Inf(-1)
					for _, s := range in {
						if math.IsNaN(w[0]) || s.At() >= w[0] && s.At() <= w[1] {
							inWindow++
							lo, hi = min(lo, s.Value), max(hi, s.Value)
						}
					}
					gotLo, gotHi := math.Inf(1), math.Inf(-1)
					for i := range cols[0].T {
						gotLo, gotHi = min(gotLo, cols[0].Min[i]), max(gotHi, cols[0].Max[i])
						if i > 0 && cols[0].T[i] < cols[0].T[i-1] {
							t.Fatalf("column %d is earlier than the one before it", i)
						}
					}
					if gotLo != lo || gotHi != hi || cols[0].Single != (inWindow <= n) {
						t.Errorf("%v in %d columns: %v to %v, single %v; want %v to %v of %d samples", w, n, gotLo, gotHi, cols[0].Single, lo, hi, inWindow)
					}
				}
			}
		})
	}
}

func TestColumnsRefuseWhatCannotBe(t *testing.T) {
	db := mustOpen(t)
	id := record(t, db, startOf(tin), endOf(trace.Latching))
	if cols, err := db.Columns(ctx, id, 0, 1, 10); err != nil || len(cols) != 0 {
		t.Errorf("a run without samples gives %v, %v; want none", cols, err)
	}
	for name, err := range map[string]error{
		"no columns":       second(db.Columns(ctx, id, 0, 1, 0)),
		"too many columns": second(db.Columns(ctx, id, 0, 1, store.MaxColumns+1)),
		"ends reversed":    second(db.Columns(ctx, id, 2, 1, 10)),
	} {
		if !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: got %v, want out of range", name, err)
		}
	}
	if err := second(db.Columns(ctx, 77, 0, 1, 10)); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("no such run: got %v, want not found", err)
	}
}

func second[T any](_ T, err error) error { return err }

// bigRun stores ten million samples as a 16-bit board would send them and gives the file.
func bigRun(b *testing.B, n int) (path string, id int64) {
	b.Helper()
	path = filepath.Join(b.TempDir(), "big.db")
	db, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	part := wave(100_000, 0, 100_000, 1)
	id, err = db.ImportRun(ctx, startOf(tin), func(yield func(trace.Batch, error) bool) {
		for at := 0; at < n; at += len(part) {
			if !yield(trace.Batch{Channel: shuntCurrent, Samples: part}, nil) {
				return
			}
			for i := range part {
				part[i].AtNS += int64(len(part)) * 100_000
			}
		}
	}, endOf(trace.Latching))
	if err != nil {
		b.Fatal(err)
	}
	return path, id
}

func BenchmarkColumnsFromColdOpen(b *testing.B) {
	path, id := bigRun(b, 10_000_000)
	for b.Loop() {
		db, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			b.Fatal(err)
		}
		cols, err := db.Columns(ctx, id, math.NaN(), math.NaN(), 1200)
		if err != nil || len(cols[0].T) < 600 {
			b.Fatalf("%d columns, %v", len(cols[0].T), err)
		}
		db.Close()
	}
}

func BenchmarkColumns(b *testing.B) {
	path, id := bigRun(b, 10_000_000)
	db, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	for name, to := range map[string]float64{"10M": 1000, "4M": 400, "100k": 10, "1k": 0.1} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := db.Columns(ctx, id, -1, to, 1200); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkImport(b *testing.B) {
	for b.Loop() {
		bigRun(b, 1_000_000)
	}
	b.ReportMetric(float64(b.N)*1e6/b.Elapsed().Seconds(), "samples/s")
}
