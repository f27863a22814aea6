package trip

import "math"

// histogram keeps the time-weighted distribution of a level in memory that does not grow with the
// run: bins a tenth of a display count wide (2^-20 of full scale where no count is known), in pages
// that exist only where readings lie. Each bin remembers the first value that fell into it, so the
// median of quantised readings is one of the readings and not a bin's middle.
type histogram struct {
	width  float64 // A
	pages  map[int32]*page
	last   *page // the page of the last reading: neighbours in time are neighbours in level
	lastNo int32
	n      int
	total  float64
}

const (
	pageBits = 8
	pageSize = 1 << pageBits
	maxPages = 4096 // 2^20 bins; beyond that, bins are merged two by two
)

type page struct {
	count  [pageSize]uint32
	weight [pageSize]float64
	value  [pageSize]float64
}

func newHistogram(width float64) *histogram {
	return &histogram{width: width, pages: map[int32]*page{}}
}

func (h *histogram) bin(v float64) int64 {
	return int64(math.Floor(min(max(v/h.width, -1<<38), 1<<38)))
}

// add counts one reading of v amperes that stands for weight seconds.
func (h *histogram) add(v, weight float64) {
	b := h.bin(v)
	no := int32(b >> pageBits)
	p := h.last
	if p == nil || no != h.lastNo {
		p = h.pageFor(&b)
	}
	i := b & (pageSize - 1)
	if p.count[i] == 0 {
		p.value[i] = v
	}
	if p.count[i] < math.MaxUint32 {
		p.count[i]++
	}
	p.weight[i] += weight
	h.n++
	h.total += weight
}

// pageFor finds or makes the page of bin b, coarsening the histogram while it is full; b follows.
func (h *histogram) pageFor(b *int64) *page {
	for {
		no := int32(*b >> pageBits)
		p := h.pages[no]
		if p == nil {
			if len(h.pages) >= maxPages {
				h.coarsen()
				*b >>= 1
				continue
			}
			p = &page{}
			h.pages[no] = p
		}
		h.last, h.lastNo = p, no
		return p
	}
}

// coarsen merges bins two by two.
func (h *histogram) coarsen() {
	old := h.pages
	h.width, h.pages, h.last = 2*h.width, map[int32]*page{}, nil
	for no, p := range old {
		q := h.pages[no>>1]
		if q == nil {
			q = &page{}
			h.pages[no>>1] = q
		}
		base := (int(no) & 1) * pageSize / 2
		for i := range pageSize {
			if p.count[i] == 0 {
				continue
			}
			j := base + i/2
			if q.count[j] == 0 || i%2 == 0 {
				q.value[j] = p.value[i]
			}
			q.count[j] += min(p.count[i], math.MaxUint32-q.count[j])
			q.weight[j] += p.weight[i]
		}
	}
}

// walk visits the filled bins in rising order until f returns false.
func (h *histogram) walk(f func(value, weight float64, count uint32) bool) {
	lo, hi := int32(math.MaxInt32), int32(math.MinInt32)
	for no := range h.pages {
		lo, hi = min(lo, no), max(hi, no)
	}
	if len(h.pages) == 0 {
		return
	}
	visit := func(p *page) bool {
		for i := range pageSize {
			if p.count[i] > 0 && !f(p.value[i], p.weight[i], p.count[i]) {
				return false
			}
		}
		return true
	}
	// Pages lie close together but for a spike far away: step over holes by the map.
	if int64(hi)-int64(lo) < 4*maxPages {
		for no := int64(lo); no <= int64(hi); no++ {
			if p := h.pages[int32(no)]; p != nil && !visit(p) {
				return
			}
		}
		return
	}
	for no, seen := lo, 0; seen < len(h.pages); seen++ {
		if !visit(h.pages[no]) {
			return
		}
		next := int32(math.MaxInt32)
		for k := range h.pages {
			if k > no {
				next = min(next, k)
			}
		}
		no = next
	}
}

// quantile gives the value at which share q of the weight is reached; ok is false when empty. Within
// a group of equal (quantised) readings it is interpolated, each value standing for the stretch
// halfway to its neighbours (the median of grouped data, textbook): noise larger than a display
// count then tells fractions of it.
func (h *histogram) quantile(q float64) (v float64, ok bool) {
	if h == nil || h.n == 0 {
		return 0, false
	}
	want, sum := q*h.total, 0.0
	var before, at, weight float64
	found, below := false, false // the group is found; a smaller value exists
	after, above := 0.0, false
	h.walk(func(value, w float64, _ uint32) bool {
		if found {
			after, above = value, true
			return false
		}
		if sum+w >= want {
			found, at, weight = true, value, w
			return true
		}
		sum += w
		before, below = value, true
		return true
	})
	if !found { // rounding in the sums
		return before, true
	}
	lo, hi := at, at
	switch {
	case below && above:
		lo, hi = (before+at)/2, (at+after)/2
		// A neighbour far away is no neighbour in a quantised scale.
		if step := 4 * min(at-before, after-at); hi-lo > step {
			lo, hi = max(lo, at-step/8), min(hi, at+step/8)
		}
	default:
		return at, true
	}
	if weight <= 0 {
		return at, true
	}
	return lo + (hi-lo)*min(max((want-sum)/weight, 0), 1), true
}

// countFrom tells how many readings were at or above v, bin by bin.
func (h *histogram) countFrom(v float64) int {
	n := 0
	if h != nil {
		h.walk(func(value, _ float64, count uint32) bool {
			if value >= v {
				n += int(count)
			}
			return true
		})
	}
	return n
}

// merge adds the other histogram's readings.
func (h *histogram) merge(o *histogram) {
	if o == nil {
		return
	}
	o.walk(func(value, weight float64, count uint32) bool {
		h.add(value, weight)
		h.n += int(count) - 1
		b := h.bin(value)
		if p := h.last; p != nil && h.lastNo == int32(b>>pageBits) {
			p.count[b&(pageSize-1)] += count - 1
		}
		return true
	})
}

// take removes one reading that was added before; it reports whether it was there.
func (h *histogram) take(v, weight float64) bool {
	b := h.bin(v)
	p := h.pages[int32(b>>pageBits)]
	i := b & (pageSize - 1)
	if p == nil || p.count[i] == 0 {
		return false
	}
	p.count[i]--
	p.weight[i] = max(p.weight[i]-weight, 0)
	h.n--
	h.total = max(h.total-weight, 0)
	return true
}
