package main

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"letthrough/capture/sim"
	"letthrough/capture/trace"
	"letthrough/capture/trip"
	"letthrough/capture/wire"
	"letthrough/store"
)

// liveText is a test of Tin as a fast board streams it: microseconds and amperes, a line a reading.
func liveText(b *testing.B, rate float64) (text []byte, readings int) {
	b.Helper()
	u, err := sim.Find("Tin")
	if err != nil {
		b.Fatal(err)
	}
	rec, err := sim.Record(u, sim.ShortTest(2, 46, 2), sim.Meter{RateHz: rate, NoiseA: 0.003, ResolutionA: 0.001}, 1)
	if err != nil {
		b.Fatal(err)
	}
	for _, s := range rec.Current {
		text = strconv.AppendInt(text, s.AtNS/1000, 10)
		text = append(text, ',')
		text = strconv.AppendFloat(text, s.Value, 'f', 3, 64)
		text = append(text, '\n')
	}
	return text, len(rec.Current)
}

// BenchmarkLiveWay is the way of a live test from bytes in memory to stored, detected samples: text format,
// time base, detector, recorder; beside it the plain implementation of storing alone: line scanner,
// strings.Split, strconv.ParseFloat and one row a sample in transactions of 1,000. It reports the ratio.
func BenchmarkLiveWay(b *testing.B) {
	text, n := liveText(b, 100_000)
	var plain, plainCPU float64
	measure := func(b *testing.B, way func(path string)) (ns, cpu float64) {
		before := cpuTime(b)
		for b.Loop() {
			way(filepath.Join(b.TempDir(), "bench.db"))
		}
		samples := float64(b.N) * float64(n)
		ns, cpu = float64(b.Elapsed().Nanoseconds())/samples, float64(cpuTime(b)-before)/samples
		b.ReportMetric(ns, "ns/sample")
		b.ReportMetric(cpu, "cpu-ns/sample")
		b.ReportMetric(1e9/cpu, "samples/cpu-s")
		return ns, cpu
	}
	b.Run("plain", func(b *testing.B) {
		plain, plainCPU = measure(b, func(path string) { plainWay(b, path, text) })
	})
	b.Run("ours", func(b *testing.B) {
		ns, cpu := measure(b, func(path string) { liveWay(b, path, text, n) })
		if plain > 0 {
			b.ReportMetric(plain/ns, "times-plain")
			b.ReportMetric(plainCPU/cpu, "times-plain-cpu")
		}
	})
}

// cpuTime is what this process has used of all cores: on a machine that does other things besides it tells
// more than the clock on the wall.
func cpuTime(b *testing.B) int64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return u.Utime.Nano() + u.Stime.Nano()
}

// liveWay does what bench and recorder do, without their waiting for a port. The first line of a stream may be
// cut, and is left out.
func liveWay(b *testing.B, path string, text []byte, readings int) {
	ctx := context.Background()
	spec, err := wire.ParseSpec("board=text:/dev/null?time=us")
	if err != nil {
		b.Fatal(err)
	}
	stream, err := wire.NewStream(spec)
	if err != nil {
		b.Fatal(err)
	}
	db, err := store.Open(ctx, path, store.Options{Record: true})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	set := trace.Settings{Procedure: trace.Short, RatedCurrentA: 1.4, HoldS: 46}
	run, err := db.Begin(trace.RunStart{Unit: trace.Unit{Name: "Tin"}, Settings: set, Started: time.Now()})
	if err != nil {
		b.Fatal(err)
	}
	d, err := trip.New(set)
	if err != nil {
		b.Fatal(err)
	}
	const chunk = 4096 // bytes, as a port hands them over
	// Bytes from memory come faster than any port's: the one before last lot is waited for, so that nothing
	// is dropped and the queue stays as small as in a real test.
	const lot = 128 << 10 // samples
	taken, waiting := 0, 0
	written := make(chan error, 1)
	written <- nil
	take := func(batches []trace.Batch) {
		for _, batch := range batches {
			d.Current(batch.Samples)
			db.Append(run, batch)
			taken += len(batch.Samples)
			waiting += len(batch.Samples)
		}
		if waiting >= lot {
			waiting = 0
			if err := <-written; err != nil {
				b.Fatal(err)
			}
			go func() { written <- db.Flush(ctx) }()
		}
	}
	for at := 0; at < len(text); at += chunk {
		arrived := float64(at) / float64(len(text)) * 50e9 // as they would come
		take(stream.Feed(text[at:min(at+chunk, len(text))], int64(arrived)))
	}
	take(stream.Flush())
	found := d.Finish()
	db.End(run, trace.RunEnd{State: trace.RunComplete, Settings: set, Derivation: found, Ended: time.Now()})
	if err := errors.Join(<-written, db.Flush(ctx)); err != nil {
		b.Fatal(err)
	}
	stored, err := db.Run(ctx, run)
	if err != nil || taken < readings-2 || stored.Samples != int64(taken) || stored.Counts.Lost != 0 || found.Behaviour != trace.AutoRetry {
		b.Fatalf("%d of %d readings, %d stored, %d lost, %s, %v", taken, readings, stored.Samples, stored.Counts.Lost, found.Behaviour, err)
	}
}

func plainWay(b *testing.B, path string, text []byte) {
	db, err := sql.Open("sqlite3", "file:"+path+"?_journal_mode=WAL&_synchronous=NORMAL")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("CREATE TABLE samples (run INTEGER, t_s REAL, current_a REAL)"); err != nil {
		b.Fatal(err)
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	for more := true; more; {
		tx, err := db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		insert, err := tx.Prepare("INSERT INTO samples VALUES (1, ?, ?)")
		if err != nil {
			b.Fatal(err)
		}
		for range 1000 {
			if more = lines.Scan(); !more {
				break
			}
			fields := strings.Split(lines.Text(), ",")
			t, err1 := strconv.ParseFloat(fields[0], 64)
			v, err2 := strconv.ParseFloat(fields[1], 64)
			if err1 != nil || err2 != nil {
				b.Fatal(fmt.Errorf("%q: %v, %v", lines.Text(), err1, err2))
			}
			if _, err := insert.Exec(t/1e6, v); err != nil {
				b.Fatal(err)
			}
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
}
