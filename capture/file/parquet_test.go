package file_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"

	"github.com/parquet-go/parquet-go"
)

func TestParquetIsOneRowASample(t *testing.T) {
	second := trace.Channel{Instrument: "spare", Quantity: trace.Current}
	s := samples(0, 1_000_000, make([]float64, 300_000)...) // more than one group
	for i := range s {
		s[i].Value = float64(i%4000) / 1000
	}
	s[7] = trace.Sample{AtNS: 7_000_000, Value: math.Inf(1), Flags: trace.Over | trace.Gap}
	rec := trace.Recording{UUID: "c60a7bfd-a1cc-410f-aed0-f75a9d47287e", Channels: []trace.Channel{file.CurrentChannel, second, file.VoltageChannel},
		Batches: func(yield func(trace.Batch, error) bool) {
			_ = yield(trace.Batch{Channel: file.CurrentChannel, Samples: s}, nil) &&
				yield(trace.Batch{Channel: second, Samples: samples(1, 1, 0.5)}, nil) &&
				yield(trace.Batch{Channel: file.VoltageChannel, Samples: samples(2_500_000_000, 1, 12.5)}, nil)
		}}
	rec.Start.Unit.Name = "Tin"
	rec.End.Derivation.Marks = []trace.Mark{{Kind: trace.Onset, T: 1.25}}
	var out bytes.Buffer
	if err := file.WriteParquet(&out, rec, 7); err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{"unit.time_s": "s", "unit.current": "A", "unit.voltage": "V", "unit.spare:current": "A", "zero_s": "1.25", "uuid": rec.UUID} {
		if got, _ := f.Lookup(key); got != want {
			t.Errorf("footer %s is %q, want %q", key, got, want)
		}
	}
	var names []string
	for _, c := range f.Schema().Fields() {
		names = append(names, c.Name())
	}
	if got := len(names); got != 6 || names[0] != "run" || names[1] != "unit" || names[2] != "channel" || names[3] != "time_s" || names[4] != "value" || names[5] != "flags" {
		t.Errorf("columns %v", names)
	}
	type row struct {
		Run     int64    `parquet:"run"`
		Unit    string   `parquet:"unit"`
		Channel string   `parquet:"channel"`
		TimeS   float64  `parquet:"time_s"`
		Value   *float64 `parquet:"value,optional"`
		Flags   string   `parquet:"flags"`
	}
	r := parquet.NewGenericReader[row](f)
	defer r.Close()
	rows := make([]row, len(s)+3)
	n := 0
	for n < len(rows) {
		got, err := r.Read(rows[n:])
		n += got
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if n != len(s)+2 {
		t.Fatalf("%d rows, want %d", n, len(s)+2)
	}
	for i, want := range s {
		g := rows[i]
		if g.Run != 7 || g.Unit != "Tin" || g.Channel != "current" || g.TimeS != want.At() {
			t.Fatalf("row %d is %+v", i, g)
		}
		if i == 7 {
			if g.Value != nil || g.Flags != "over gap" {
				t.Errorf("beyond the range: %+v", g)
			}
		} else if g.Value == nil || *g.Value != want.Value || g.Flags != "" {
			t.Fatalf("row %d is %+v, want %+v", i, g, want)
		}
	}
	if a, b := rows[n-2], rows[n-1]; a.Channel != "spare:current" || b.Channel != "voltage" || b.TimeS != 2.5 || *b.Value != 12.5 {
		t.Errorf("the other channels: %+v %+v", a, b)
	}
}

func TestParquetHandsOnWhatReadingFailsWith(t *testing.T) {
	broken := errors.New("damaged")
	rec := trace.Recording{Batches: func(yield func(trace.Batch, error) bool) { yield(trace.Batch{}, broken) }}
	if err := file.WriteParquet(io.Discard, rec, 1); !errors.Is(err, broken) {
		t.Errorf("got %v, want %v", err, broken)
	}
}
