package file_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// FuzzReadCSV: whatever is read can be written and read again; whatever is refused is refused with a
// *file.Error.
func FuzzReadCSV(f *testing.F) {
	f.Fuzz(func(t *testing.T, text []byte) {
		in, err := file.ReadCSV(bytes.NewReader(text), "fuzz.csv", file.CSVOptions{})
		if err != nil {
			var e *file.Error
			if !errors.As(err, &e) {
				t.Fatalf("%v is no *file.Error", err)
			}
			if strings.ContainsAny(err.Error(), "\n\x00") {
				t.Fatalf("%q is not one line", err)
			}
			return
		}
		var b bytes.Buffer
		if err := file.WriteCSV(&b, in); err != nil {
			t.Fatal(err)
		}
		// The order of rows is that of time only where the file's own was.
		if !inOrder(in.Current) || !inOrder(in.Voltage) || len(in.Current) == 0 {
			return
		}
		out, err := file.ReadCSV(&b, "again.csv", file.CSVOptions{})
		if err != nil || pairs(out.Current) != pairs(in.Current) || pairs(out.Voltage) != pairs(in.Voltage) {
			t.Fatalf("%v: %s and %s came back as %s and %s", err, pairs(in.Current), pairs(in.Voltage), pairs(out.Current), pairs(out.Voltage))
		}
	})
}

func inOrder(s []trace.Sample) bool {
	for i := 1; i < len(s); i++ {
		if s[i].AtNS < s[i-1].AtNS {
			return false
		}
	}
	return true
}

// FuzzReadCSVAgainstPlainReader: the scanner over bytes reads what encoding/csv, strconv and
// math/big read.
func FuzzReadCSVAgainstPlainReader(f *testing.F) {
	f.Fuzz(func(t *testing.T, rows []byte) {
		text := "time_s,current_a\n" + string(rows)
		if strings.Contains(text, "\x00") || len(text) > 1<<16 {
			return
		}
		want, wantErr := plainRead(text)
		if wantErr == errNotPlain {
			return
		}
		got, err := file.ReadCSV(strings.NewReader(text), "fuzz.csv", file.CSVOptions{})
		if (err != nil) != (wantErr != nil) {
			t.Fatalf("got error %v, the plain reader %v", err, wantErr)
		}
		if err == nil && pairs(got.Current) != pairs(want) {
			t.Fatalf("got %s, the plain reader %s", pairs(got.Current), pairs(want))
		}
	})
}

var (
	errNotPlain = errors.New("has words that only the real reader knows")
	number      = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)
	letters     = regexp.MustCompile(`[a-zA-Z]|--|9\.9`)
)

func plainRead(text string) ([]trace.Sample, error) {
	r := csv.NewReader(strings.NewReader(text))
	if _, err := r.Read(); err != nil {
		return nil, err
	}
	var out []trace.Sample
	for {
		cells, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		at, value := strings.Trim(cells[0], " \t"), strings.Trim(cells[1], " \t")
		if !number.MatchString(at) {
			return nil, errors.New("no time")
		}
		if letters.MatchString(value) && !number.MatchString(value) || strings.Contains(value, "9.9") {
			return nil, errNotPlain
		}
		if !number.MatchString(value) {
			return nil, errors.New("no number")
		}
		if e := strings.IndexAny(at, "eE"); e >= 0 {
			if n, err := strconv.Atoi(at[e+1:]); err != nil || n > 1000 || n < -1000 {
				return nil, errNotPlain // math/big would work for ever
			}
		}
		ns, ok := new(big.Rat).SetString(at)
		if !ok {
			return nil, errNotPlain
		}
		whole := roundedNS(ns)
		if !whole.IsInt64() || whole.Int64() == math.MinInt64 {
			return nil, errors.New("time out of range")
		}
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return nil, err
		}
		out = append(out, trace.Sample{AtNS: whole.Int64(), Value: v})
	}
	if len(out) == 0 {
		return nil, errors.New("no rows")
	}
	return out, nil
}

// roundedNS is the time in nanoseconds, half away from zero.
func roundedNS(s *big.Rat) *big.Int {
	s = new(big.Rat).Mul(s, big.NewRat(1e9, 1))
	half := big.NewRat(1, 2)
	if s.Sign() < 0 {
		half.Neg(half)
	}
	s.Add(s, half)
	return new(big.Int).Quo(s.Num(), s.Denom()) // towards zero
}

func benchText(rows int) []byte {
	var b bytes.Buffer
	b.WriteString("time_s,current_a\n")
	line := []byte{}
	for i := range rows {
		line = strconv.AppendFloat(line[:0], float64(i)/1e4, 'f', 4, 64)
		line = append(line, ',')
		line = strconv.AppendFloat(line, float64(i%9000)/1e3-1, 'f', 3, 64)
		b.Write(append(line, '\n'))
	}
	return b.Bytes()
}

func BenchmarkReadCSV(b *testing.B) {
	text := benchText(200_000)
	b.SetBytes(int64(len(text)))
	var current, voltage []trace.Sample
	for b.Loop() {
		c, err := file.NewCSVReader(bytes.NewReader(text), "bench.csv", file.CSVOptions{})
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			current, voltage, err = c.Read(current[:0], voltage[:0])
		}
		if err != io.EOF {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/200_000, "ns/row")
}

func BenchmarkReadCSVPlainWay(b *testing.B) {
	text := benchText(20_000)
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		r := csv.NewReader(bytes.NewReader(text))
		r.ReuseRecord = true
		_, err := r.Read()
		for err == nil {
			var cells []string
			if cells, err = r.Read(); err == nil {
				_, e1 := strconv.ParseFloat(cells[0], 64)
				_, e2 := strconv.ParseFloat(cells[1], 64)
				err = errors.Join(e1, e2)
			}
		}
		if err != io.EOF {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/20_000, "ns/row")
}

func BenchmarkWriteCSV(b *testing.B) {
	in, err := file.ReadCSV(bytes.NewReader(benchText(200_000)), "bench.csv", file.CSVOptions{})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if err := file.WriteCSV(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/200_000, "ns/row")
}
