package trip

import (
	"math"
	"slices"
	"sort"
)

// histogram keeps the time-weighted distribution of a level in memory that does not grow with the
// run: bins a tenth of a display count wide (2^-20 of full scale where no count is known), in pages
// that exist only where readings lie. Each bin remembers the first value that fell into it, so the
// median of quantised readings is one of the readings and not a bin's middle.
type histogram struct {
	width float64 // A
	pages []*page // in rising order of no
	last  *page   // the page of the last reading: neighbours in time are neighbours in level
	n     int
	total float64
}

const (
	pageBits = 8
	pageSize = 1 << pageBits
	maxPages = 4096 // 2^20 bins; beyond that, bins are merged two by two
)

type page struct {
	no     int32
	n      int
	total  float64
	count  [pageSize]uint32
	weight [pageSize]float64
	value  [pageSize]float64
}

func newHistogram(width float64) *histogram { return &histogram{width: width} }

func (h *histogram) bin(v float64) int64 {
	return int64(math.Floor(min(max(v/h.width, -1<<38), 1<<38)))
}

// add counts one reading of v amperes that stands for weight seconds.
func (h *histogram) add(v, weight float64) { h.addMany(v, weight, 1) }

func (h *histogram) addMany(v, weight float64, count uint32) {
	b := h.bin(v)
	p := h.last
	if p == nil || p.no != int32(b>>pageBits) {
		p = h.pageFor(&b)
	}
	i := b & (pageSize - 1)
	if p.count[i] == 0 {
		p.value[i] = v
	}
	p.count[i] += min(count, math.MaxUint32-p.count[i])
	p.weight[i] += weight
	p.n += int(count)
	p.total += weight
	h.n += int(count)
	h.total += weight
}

// find gives the place of page no in the pages, and whether it is there.
func (h *histogram) find(no int32) (int, bool) {
	i := sort.Search(len(h.pages), func(i int) bool { return h.pages[i].no >= no })
	return i, i < len(h.pages) && h.pages[i].no == no
}

// pageFor finds or makes the page of bin b, coarsening the histogram while it is full; b follows.
func (h *histogram) pageFor(b *int64) *page {
	for {
		no := int32(*b >> pageBits)
		i, found := h.find(no)
		if !found {
			if len(h.pages) >= maxPages {
				h.coarsen()
				*b >>= 1
				continue
			}
			h.pages = slices.Insert(h.pages, i, &page{no: no})
		}
		h.last = h.pages[i]
		return h.last
	}
}

// coarsen merges bins two by two until at most half of the pages are in use.
func (h *histogram) coarsen() {
	for len(h.pages) > maxPages/2 {
		old := h.pages
		h.width, h.pages, h.last = 2*h.width, nil, nil
		for _, p := range old {
			no := p.no >> 1
			if len(h.pages) == 0 || h.pages[len(h.pages)-1].no != no {
				h.pages = append(h.pages, &page{no: no})
			}
			h.pages[len(h.pages)-1].halve(p)
		}
	}
}

// halve takes the bins of p, two into one.
func (q *page) halve(p *page) {
	base := (int(p.no) & 1) * pageSize / 2
	for i := range pageSize {
		if p.count[i] == 0 {
			continue
		}
		j := base + i/2
		if q.count[j] == 0 {
			q.value[j] = p.value[i]
		}
		q.count[j] += min(p.count[i], math.MaxUint32-q.count[j])
		q.weight[j] += p.weight[i]
	}
	q.n += p.n
	q.total += p.total
}

// take removes one reading that was added before; it reports whether it was there.
func (h *histogram) take(v, weight float64) bool {
	b := h.bin(v)
	k, found := h.find(int32(b >> pageBits))
	if !found {
		return false
	}
	p, i := h.pages[k], b&(pageSize-1)
	if p.count[i] == 0 {
		return false
	}
	p.count[i]--
	p.weight[i] = max(p.weight[i]-weight, 0)
	p.n--
	p.total = max(p.total-weight, 0)
	h.n--
	h.total = max(h.total-weight, 0)
	return true
}

// quantile gives the value at which share q of the weight is reached; ok is false when empty. Within
// a group of equal (quantised) readings it is interpolated, each value standing for the stretch
// halfway to its neighbours (the median of grouped data, textbook): noise larger than a display
// count then tells fractions of it.
func (h *histogram) quantile(q float64) (v float64, ok bool) {
	if h == nil || h.n == 0 {
		return 0, false
	}
	k, sum := 0, 0.0
	for want := q * h.total; k < len(h.pages)-1 && sum+h.pages[k].total < want; k++ {
		sum += h.pages[k].total
	}
	p, i, last := h.pages[k], 0, -1
	for ; i < pageSize; i++ {
		if p.count[i] == 0 {
			continue
		}
		if last = i; sum+p.weight[i] >= q*h.total {
			break
		}
		sum += p.weight[i]
	}
	if last < 0 { // rounding in the sums left an emptied page: the nearest one below stands for it
		return h.edgeBelow(k)
	}
	return h.grouped(k, last, q*h.total-sum), true
}

// edgeBelow gives the largest value in the pages below k, else the smallest above.
func (h *histogram) edgeBelow(k int) (float64, bool) {
	if v, ok := h.neighbour(k, 0, -1); ok {
		return v, true
	}
	return h.neighbour(k, pageSize-1, 1)
}

// neighbour gives the next filled bin's value below (-1) or above (+1) bin i of page k.
func (h *histogram) neighbour(k, i, dir int) (float64, bool) {
	for i += dir; ; i += dir {
		if i < 0 || i >= pageSize {
			k += dir
			if k < 0 || k >= len(h.pages) {
				return 0, false
			}
			i = (i + pageSize) % pageSize
		}
		if h.pages[k].count[i] > 0 {
			return h.pages[k].value[i], true
		}
	}
}

// grouped interpolates within bin i of page k, of whose weight into is to be passed.
func (h *histogram) grouped(k, i int, into float64) float64 {
	p := h.pages[k]
	at := p.value[i]
	below, ok1 := h.neighbour(k, i, -1)
	above, ok2 := h.neighbour(k, i, 1)
	if !ok1 || !ok2 || p.weight[i] <= 0 {
		return at
	}
	lo, hi := (below+at)/2, (at+above)/2
	// A neighbour far away is no neighbour in a quantised scale.
	if step := min(at-below, above-at); hi-lo > 4*step {
		lo, hi = max(lo, at-step/2), min(hi, at+step/2)
	}
	return lo + (hi-lo)*min(max(into/p.weight[i], 0), 1)
}

// countFrom tells how many readings were at or above v.
func (h *histogram) countFrom(v float64) int {
	if h == nil {
		return 0
	}
	n, no := 0, int32(h.bin(v)>>pageBits)
	for k := len(h.pages) - 1; k >= 0 && h.pages[k].no >= no; k-- {
		p := h.pages[k]
		if p.no > no {
			n += p.n
			continue
		}
		for i := range pageSize {
			if p.count[i] > 0 && p.value[i] >= v {
				n += int(p.count[i])
			}
		}
	}
	return n
}
