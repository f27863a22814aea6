package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"net/http"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
	"letthrough/store"
)

func TestExportedCSVReadsBackBitForBit(t *testing.T) {
	ts := newTestServer(t)
	id := storedRun(t, ts.db, "Tin", 2000)
	_, body, _ := ts.call(t, "GET", fmt.Sprintf("/api/runs/%d/export?format=csv", id), "")
	got, err := file.ReadCSV(bytes.NewReader(body), "export.csv", file.CSVOptions{})
	if err != nil {
		t.Fatalf("read back: %v", err)
	}
	var want []trace.Sample
	for b, err := range ts.db.Batches(context.Background(), id) {
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, b.Samples...)
	}
	if len(got.Current) != len(want) {
		t.Fatalf("%d samples read back, want %d", len(got.Current), len(want))
	}
	for i := range want {
		if got.Current[i] != want[i] {
			t.Fatalf("sample %d is %+v, want %+v", i, got.Current[i], want[i])
		}
	}
}

// failingStore breaks while it gives its samples, after so many batches of a thousand.
type failingStore struct {
	*store.DB
	batches int
}

var errBroken = errors.New("page 7 of /var/lib/bench.db is damaged")

func (f failingStore) Batches(context.Context, int64) iter.Seq2[trace.Batch, error] {
	return func(yield func(trace.Batch, error) bool) {
		b := trace.Batch{Channel: trace.Channel{Instrument: "shunt", Quantity: trace.Current}, Samples: make([]trace.Sample, 1000)}
		for i := range f.batches {
			for j := range b.Samples {
				b.Samples[j] = trace.Sample{AtNS: int64(i*1000+j) * 1e6, Value: 1.5}
			}
			if !yield(b, nil) {
				return
			}
		}
		yield(trace.Batch{}, errBroken)
	}
}

func TestExportThatBreaksOffIsNoWholeFile(t *testing.T) {
	for name, c := range map[string]struct {
		batches int
		status  int // 0: the answer is cut
	}{
		"at once":                  {0, 500},
		"after part of it is sent": {500, 0},
	} {
		t.Run(name, func(t *testing.T) {
			var id int64
			ts := newTestServer(t, func(o *Options) {
				db := o.Store.(*store.DB)
				id = storedRun(t, db, "Tin", 100)
				o.Store = failingStore{db, c.batches}
			})
			resp, err := http.Get(fmt.Sprintf("%s/api/runs/%d/export?format=csv", ts.url, id))
			if err != nil {
				t.Fatal(err)
			}
			defer resp.Body.Close()
			body, err := io.ReadAll(resp.Body)
			if c.status == 0 {
				if err == nil {
					t.Fatalf("%d bytes came as a whole file", len(body))
				}
				return
			}
			if resp.StatusCode != c.status || bytes.Contains(body, []byte("damaged")) {
				t.Errorf("status %d, body %.200s: want %d that gives nothing away", resp.StatusCode, body, c.status)
			}
			faultIn(t, body)
		})
	}
}
