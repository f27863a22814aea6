package web

import (
	"encoding/json"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// BenchmarkBrowserFirstPaint opens the Bench from loopback with an empty cache: how soon something is painted, and how
// many compressed bytes came for it.
func BenchmarkBrowserFirstPaint(b *testing.B) {
	ts := newTestServer(b)
	playTin(ts.bench, 3, 12)
	tb := openTab(b, 1440, 900)
	_, err := chromedp.Call(tb.ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
	tb.call(err)
	var paints []float64
	for b.Loop() {
		tb.open(ts.url)
		tb.until("the run", `document.querySelector("#events [data-kind=cut_off]") && performance.getEntriesByName("first-contentful-paint").length`)
		paints = append(paints, eval[float64](tb, `performance.getEntriesByName("first-contentful-paint")[0].startTime`))
	}
	slices.Sort(paints)
	b.ReportMetric(paints[len(paints)/2], "first-paint-ms")
	b.ReportMetric(eval[float64](tb, `[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].reduce((n, e) => n + e.transferSize, 0) / 1024`), "page-KiB")
	tb.mustBeClean()
}

// BenchmarkMarkToSocket measures from the mark's event on the bench to its message in the sockets of 20 viewers, while
// 10,000 readings a second come in: what stands between the confirm time and the page.
func BenchmarkMarkToSocket(b *testing.B) {
	const viewers = 20
	ts := newTestServer(b)
	armTin(ts.bench)
	playTin(ts.bench, 3, 1)
	arrived := make(chan time.Time, viewers)
	var all sync.WaitGroup
	for range viewers {
		s := ts.dial(b, "", nil)
		if err := s.SetReadDeadline(time.Time{}); err != nil {
			b.Fatal(err)
		}
		all.Add(1)
		go func() {
			defer all.Done()
			for {
				_, msg, err := s.ReadMessage()
				if err != nil {
					return
				}
				at := time.Now()
				var m struct {
					Type string `json:"type"`
					ID   int    `json:"id"`
				}
				if msg[0] == '{' && json.Unmarshal(msg, &m) == nil && m.Type == "mark" && m.ID >= 1000 {
					arrived <- at
				}
			}
		}()
		b.Cleanup(func() { s.Close() })
	}
	eventually(b, "all are in", func() bool { return ts.hub.count.Load() == viewers })
	stop := make(chan struct{})
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		at := int64((fakeZeroS + 1) * 1e9)
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			cols := make([]capture.Column, 5)
			for i := range cols {
				at += 1e6
				cols[i] = capture.Column{AtNS: at, WidthNS: 1e6, Max: 1}
			}
			ts.bench.addColumns(0, cols...)
			ts.bench.forget(0, 60_000)
		}
	}()
	var took []float64
	zero := int64(fakeZeroS * 1e9)
	id := 1000
	for b.Loop() {
		id++
		from := time.Now()
		ts.bench.publish(capture.Event{Kind: capture.EventMark, Run: 3, AtNS: zero, OpenedNS: zero, ZeroNS: &zero, Mark: &trace.Mark{ID: id, Kind: trace.RetryOn, By: trace.Detector}})
		for range viewers {
			took = append(took, float64((<-arrived).Sub(from))/1e6)
		}
	}
	close(stop)
	<-fed
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2], "median-ms")
	b.ReportMetric(took[len(took)*99/100], "p99-ms")
	ts.hub.close()
	all.Wait()
}
