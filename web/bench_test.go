package web

import (
	"bytes"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"letthrough/capture"
)

// BenchmarkMarkToTwentyViewers measures from a mark in the bench's log to its arrival at the last of
// 20 sockets, while 10 kS/s of trace go to all of them; p99-ms is the 99th percentile.
func BenchmarkMarkToTwentyViewers(b *testing.B) {
	ts := newTestServer(b)
	const viewers = 20
	arrived := make(chan struct{}, viewers)
	var readers sync.WaitGroup
	for range viewers {
		s := ts.dial(b, "", nil)
		if err := s.SetReadDeadline(time.Time{}); err != nil {
			b.Fatal(err)
		}
		s.until("hello")
		readers.Add(1)
		go func() {
			defer readers.Done()
			for {
				kind, m, err := s.ReadMessage()
				if err != nil {
					return
				}
				if kind == websocket.TextMessage && bytes.HasPrefix(m, []byte(`{"type":"mark"`)) {
					arrived <- struct{}{}
				}
			}
		}()
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() { // the trace: 10 columns of 1 ms every 10 ms
		defer close(stopped)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ; i += 10 {
			select {
			case <-tick.C:
				ts.bench.addColumns(0, steadyColumns(i, 10)...)
				ts.bench.forget(0, 10000)
			case <-stop:
				return
			}
		}
	}()
	run := runEvents()
	ts.bench.publish(run[0])
	var took []time.Duration
	for b.Loop() {
		begin := time.Now()
		ts.bench.publish(run[1])
		for range viewers {
			<-arrived
		}
		took = append(took, time.Since(begin))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1e3, "p99-ms")
	close(stop)
	<-stopped
	if err := ts.Close(); err != nil {
		b.Fatal(err)
	}
	readers.Wait()
}

// BenchmarkFrame encodes what a channel of 10 kS/s brings in one step: 17 columns.
func BenchmarkFrame(b *testing.B) {
	cols := steadyColumns(0, 17)
	b.ReportAllocs()
	for b.Loop() {
		encodeFrames(frameAppend, 0, 0, cols)
	}
}

// BenchmarkThin makes the backlog of a full window for a viewer that lagged.
func BenchmarkThin(b *testing.B) {
	cols := make([]capture.Column, 1<<16)
	copy(cols, steadyColumns(0, 1<<16))
	for b.Loop() {
		thin(cols, laggedColumns)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(cols)), "ns/column")
}
