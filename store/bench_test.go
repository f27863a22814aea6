package store_test

import (
	"bufio"
	"bytes"
	"database/sql"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

// benchLines is n lines of "seconds,amperes" as a board sends them.
func benchLines(n int) []byte {
	b := []byte("time_s,current_a\n")
	for _, s := range wave(n, 0, 100_000, 1) {
		b = strconv.AppendFloat(b, s.At(), 'f', 4, 64)
		b = append(b, ',')
		b = strconv.AppendFloat(b, s.Value, 'f', 3, 64)
		b = append(b, '\n')
	}
	return b
}

// BenchmarkTextToStored compares our way from bytes in memory to stored samples with the plain one:
// line scanner, strings.Split, strconv.ParseFloat and one row a sample in transactions of 1,000.
func BenchmarkTextToStored(b *testing.B) {
	const n = 1_000_000
	text := benchLines(n)
	perSample := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/sample")
	}
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			plainWay(b, filepath.Join(b.TempDir(), "plain.db"), text)
		}
		perSample(b)
	})
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			ourWay(b, filepath.Join(b.TempDir(), "ours.db"), text)
		}
		perSample(b)
	})
}

// BenchmarkImportTenMillionRows reports rows a second of a CSV of 10 million rows.
func BenchmarkImportTenMillionRows(b *testing.B) {
	const n = 10_000_000
	text := benchLines(n)
	for b.Loop() {
		ourWay(b, filepath.Join(b.TempDir(), "ours.db"), text)
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func ourWay(b *testing.B, path string, text []byte) {
	db, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	c, err := file.NewCSVReader(bytes.NewReader(text), "bench.csv", file.CSVOptions{})
	if err != nil {
		b.Fatal(err)
	}
	_, err = db.ImportRun(ctx, startOf(tin), func(yield func(trace.Batch, error) bool) {
		var current, voltage []trace.Sample
		for {
			var err error
			if current, voltage, err = c.Read(current[:0], voltage); err != nil {
				return
			}
			if !yield(trace.Batch{Channel: file.CurrentChannel, Samples: current}, nil) {
				return
			}
		}
	}, endOf(trace.Latching))
	if err != nil {
		b.Fatal(err)
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
	lines.Scan() // header
	for more := true; more; {
		tx, err := db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		insert, err := tx.Prepare("INSERT INTO samples VALUES (1, ?, ?)")
		if err != nil {
			b.Fatal(err)
		}
		for i := 0; i < 1000; i++ {
			if more = lines.Scan(); !more {
				break
			}
			fields := strings.Split(lines.Text(), ",")
			t, err1 := strconv.ParseFloat(fields[0], 64)
			v, err2 := strconv.ParseFloat(fields[1], 64)
			if err1 != nil || err2 != nil {
				b.Fatal(err1, err2)
			}
			if _, err := insert.Exec(t, v); err != nil {
				b.Fatal(err)
			}
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBytesOnDisk reports what a sample of a 16-bit source with three codes of noise costs once
// its run has ended, overview included.
func BenchmarkBytesOnDisk(b *testing.B) {
	const n = 2_000_000
	for b.Loop() {
		path, _ := bigRun(b, n)
		pages := count(b, path, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size")
		b.ReportMetric(float64(pages)/n, "B/sample")
	}
}
