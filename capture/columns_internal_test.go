package capture

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
)

func TestNoPeakIsHiddenByColumns(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newColumnRing()
		step := rapid.SampledFrom([]int64{50e3, 400e3, 1e6, 120e6}).Draw(rt, "step")
		n := rapid.IntRange(1, 3000).Draw(rt, "n")
		peak := rapid.IntRange(0, n-1).Draw(rt, "peak")
		samples := make([]trace.Sample, n)
		for i := range samples {
			samples[i].AtNS = int64(i) * step
		}
		samples[peak].Value = 7
		samples[n-1-peak].Value = -3
		for rest := samples; len(rest) > 0; {
			k := min(len(rest), rapid.IntRange(1, 500).Draw(rt, "delivery"))
			r.add(rest[:k])
			rest = rest[k:]
		}
		r.flush()
		cols, last, missed := r.fine.since(0, nil)
		if missed != 0 || last != uint64(len(cols)) {
			rt.Fatalf("%d columns, newest %d, missed %d", len(cols), last, missed)
		}
		for _, s := range samples {
			covered := slices.ContainsFunc(cols, func(c Column) bool {
				return c.AtNS <= s.AtNS && s.AtNS <= c.AtNS+c.WidthNS && c.Min <= float32(s.Value) && float32(s.Value) <= c.Max
			})
			if !covered {
				rt.Fatalf("sample %+v stands in no column", s)
			}
		}
		if !slices.IsSortedFunc(cols, func(a, b Column) int { return int(a.AtNS - b.AtNS) }) {
			rt.Fatal("columns are not in order of time")
		}
	})
}

func TestFastChannelsAreBinnedAndSlowOnesAreNot(t *testing.T) {
	for _, c := range []struct {
		name   string
		stepNS int64
		width  int64
	}{{"10 kS/s", 100e3, fineNS}, {"1000 a second", 1e6, 0}, {"3 a second", 333e6, 0}} {
		t.Run(c.name, func(t *testing.T) {
			r := newColumnRing()
			for i := range int64(5000) {
				r.add([]trace.Sample{{AtNS: i * c.stepNS}})
			}
			cols, _, _ := r.fine.since(0, nil)
			if got := cols[len(cols)-1].WidthNS; got != c.width {
				t.Errorf("columns are %d ns wide, want %d", got, c.width)
			}
		})
	}
}

func TestWindowGoesBackInWiderColumnsWhereTheRunIsLong(t *testing.T) {
	r := newColumnRing()
	const stepNS, n = 200e3, 1_000_000 // 200 s at 5 kS/s: three times what fits at full resolution
	for i := range int64(n) {
		v := 0.0
		if i == 40_000 { // 8 s in
			v = 9
		}
		r.add([]trace.Sample{{AtNS: i * stepNS, Value: v}})
	}
	cols, last := r.window(5e9)
	if last != r.fine.n {
		t.Errorf("window ends at column %d, want the newest, %d", last, r.fine.n)
	}
	if first := cols[0]; first.AtNS > 5e9 || first.WidthNS != coarseNS {
		t.Errorf("window begins with %+v, want a wide column at 5 s", first)
	}
	peak := false
	for i, c := range cols {
		peak = peak || c.Max == 9
		if i > 0 && (c.AtNS < cols[i-1].AtNS || c.WidthNS > cols[i-1].WidthNS) {
			t.Fatalf("column %d %+v after %+v: want order of time and widths that only fall", i, c, cols[i-1])
		}
	}
	if !peak {
		t.Error("the peak of one sample at 8 s is hidden")
	}
	if end := cols[len(cols)-1].AtNS; end < (n-20)*stepNS {
		t.Errorf("window ends at %d ns, want the newest", end)
	}
}

func TestRingSaysWhatIsGone(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := ring[uint64]{cap: rapid.IntRange(1, 20).Draw(rt, "cap")}
		n := rapid.Uint64Range(0, 60).Draw(rt, "n")
		for i := uint64(1); i <= n; i++ {
			r.push(i)
		}
		for i := range n + 3 {
			if got := r.at(i); (got != nil) != (i >= r.first() && i >= 1 && i <= n) || got != nil && *got != i {
				rt.Fatalf("number %d of %d, oldest kept %d: got %v", i, n, r.first(), got)
			}
		}
		after := rapid.Uint64Range(0, 70).Draw(rt, "after")
		got, last, missed := r.since(after, nil)
		if last != n {
			rt.Fatalf("newest is %d, want %d", last, n)
		}
		if after >= n {
			if len(got) != 0 || missed != 0 {
				rt.Fatalf("got %v and %d missed after the newest", got, missed)
			}
			return
		}
		if uint64(len(got))+missed != n-after || got[len(got)-1] != n || got[0] != after+missed+1 {
			rt.Fatalf("after %d of %d: got %v, missed %d", after, n, got, missed)
		}
	})
}

func TestPreRecordIsBounded(t *testing.T) {
	p := prerecord{limit: 1000}
	var at int64
	for range 500 {
		batch := make([]trace.Sample, 37)
		for i := range batch {
			at += 1e6
			batch[i].AtNS = at
		}
		p.add(batch, 0.6e9)
		kept := p.kept()
		if len(kept) > 601 || at > 1e9 && len(kept) != 601 {
			t.Fatalf("%d samples kept at %d ns, want the last 0.6 s", len(kept), at)
		}
		if kept[len(kept)-1].AtNS != at {
			t.Fatalf("newest kept is %d, want %d", kept[len(kept)-1].AtNS, at)
		}
	}
	if c := cap(p.all); c > 3000 {
		t.Errorf("room for %d samples, want it bounded by what is kept", c)
	}
	p.add(make([]trace.Sample, 5000), 1e18)
	if got := len(p.kept()); got > 1000 {
		t.Errorf("%d samples kept, want at most the limit of 1000", got)
	}
}

func TestWhatDoesNotFitTheInboxIsCountedAndLeavesAGap(t *testing.T) {
	wake := make(chan struct{}, 1)
	b := newInbox(1, wake)
	b.limit = 5
	b.put(0, []trace.Sample{{AtNS: 1}, {AtNS: 2}, {AtNS: 3}})
	b.put(0, []trace.Sample{{AtNS: 4}, {AtNS: 5}, {AtNS: 6}, {AtNS: 7}})
	full, _, lost := b.take(make([][]trace.Sample, 1))
	if lost != 2 || len(full[0]) != 5 {
		t.Errorf("lost %d of 7, kept %d; want 2 and 5", lost, len(full[0]))
	}
	b.put(0, []trace.Sample{{AtNS: 8}, {AtNS: 9}})
	full, _, lost = b.take(full)
	if lost != 2 || len(full[0]) != 2 || full[0][0].Flags != trace.Gap || full[0][1].Flags != 0 {
		t.Errorf("afterwards %+v, lost %d; want a gap before 8 only", full[0], lost)
	}
	b.put(0, []trace.Sample{{AtNS: 10}})
	if full, _, _ = b.take(full); full[0][0].Flags != 0 {
		t.Errorf("the gap before 8 is told again before 10: %+v", full[0])
	}
}
