package trip

// series keeps means of consecutive readings in a bounded number of blocks: when it is full,
// neighbours are merged, so a run of any length has between half of seriesN and seriesN of them.
type series struct {
	blocks []block
	every  int // readings per block
	cur    block
}

type block struct {
	from, to float64 // s
	sum      float64
	n        int
}

func (b block) mean() float64 { return b.sum / float64(b.n) }

const seriesN = 1024

func (s *series) add(t, x float64) {
	if s.every == 0 {
		s.every = 1
	}
	if s.cur.n == 0 {
		s.cur.from = t
	}
	s.cur.to = t
	s.cur.sum += x
	if s.cur.n++; s.cur.n < s.every {
		return
	}
	s.blocks = append(s.blocks, s.cur)
	s.cur = block{}
	if len(s.blocks) == seriesN {
		for i := range seriesN / 2 {
			a, b := s.blocks[2*i], s.blocks[2*i+1]
			s.blocks[i] = block{a.from, b.to, a.sum + b.sum, a.n + b.n}
		}
		s.blocks = s.blocks[:seriesN/2]
		s.every *= 2
	}
}

// addAll adds the ring's readings from number k on.
func (s *series) addAll(r *ring, k int) {
	for k < r.end {
		if s.cur.n == 0 || s.cur.n+1 >= s.every {
			s.add(r.at(k).t, r.at(k).x)
			k++
			continue
		}
		n := min(s.every-1-s.cur.n, r.end-k)
		sum := s.cur.sum
		for j := k; j < k+n; j++ {
			sum += r.at(j).x
		}
		s.cur.sum, s.cur.n, s.cur.to = sum, s.cur.n+n, r.at(k+n-1).t
		k += n
	}
}

// within gives the means of the blocks that lie whole in from..to; where there is none, of the
// blocks that touch it.
func (s *series) within(from, to float64) []float64 {
	var whole, touch []float64
	each := func(b block) {
		if b.n == 0 {
			return
		}
		if b.from >= from && b.to <= to {
			whole = append(whole, b.mean())
		}
		if b.to >= from && b.from <= to {
			touch = append(touch, b.mean())
		}
	}
	for _, b := range s.blocks {
		each(b)
	}
	each(s.cur)
	if len(whole) > 0 {
		return whole
	}
	return touch
}

// middle is the mean time of the blocks that lie whole in from..to, and how many there are.
func (s *series) middle(from, to float64) (t float64, n int) {
	for _, b := range s.blocks {
		if b.from >= from && b.to <= to {
			t += (b.from + b.to) / 2
			n++
		}
	}
	return t / float64(max(n, 1)), n
}
