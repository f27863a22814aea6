package trace

import "iter"

// Merge hands over the samples of several channels together in the order of their time, of equal
// times those of the earlier source first. Each source is one channel in the order of its own time.
// What is handed over is a part of what the source gave and valid as long as that.
func Merge(sources ...iter.Seq2[Batch, error]) iter.Seq2[Batch, error] {
	if len(sources) == 1 {
		return sources[0]
	}
	return func(yield func(Batch, error) bool) {
		feeds := make([]feed, len(sources))
		for i, s := range sources {
			next, stop := iter.Pull2(s)
			defer stop()
			feeds[i].next = next
		}
		for {
			behind, other := -1, -1
			for i := range feeds {
				if err := feeds[i].fill(); err != nil {
					yield(Batch{}, err)
					return
				}
				switch {
				case len(feeds[i].have.Samples) == 0:
				case behind < 0:
					behind = i
				case feeds[i].at() < feeds[behind].at():
					behind, other = i, behind
				case other < 0 || feeds[i].at() < feeds[other].at():
					other = i
				}
			}
			if behind < 0 {
				return
			}
			f := &feeds[behind]
			n := len(f.have.Samples)
			if other >= 0 {
				until := feeds[other].at()
				for n = 1; n < len(f.have.Samples); n++ {
					if t := f.have.Samples[n].AtNS; t > until || t == until && behind > other {
						break
					}
				}
			}
			if !yield(Batch{Channel: f.have.Channel, Samples: f.have.Samples[:n]}, nil) {
				return
			}
			f.have.Samples = f.have.Samples[n:]
		}
	}
}

// feed is a source and what of it was not handed over yet.
type feed struct {
	next func() (Batch, error, bool)
	have Batch
}

func (f *feed) at() int64 { return f.have.Samples[0].AtNS }

func (f *feed) fill() (err error) {
	for ok := true; ok && len(f.have.Samples) == 0 && f.next != nil; {
		if f.have, err, ok = f.next(); err != nil {
			return err
		}
		if !ok {
			f.next = nil
		}
	}
	return nil
}
