package store

import (
	"iter"

	"letthrough/capture/trace"
)

// block is samples on their way from who reads them to who packs them.
type block struct {
	samples []trace.Sample
	parts   []part // whose they are, in order
	err     error
}

type part struct {
	channel trace.Channel
	n       int
}

// blockSize is how many samples travel at once, and blocksAhead how many blocks may wait.
const (
	blockSize   = 8192
	blocksAhead = 4
)

// ahead reads batches on a goroutine of its own while what came before is packed: reading text and
// packing samples cost about the same. The goroutine has ended when the walk has. What is handed over
// is valid until the next.
func ahead(batches iter.Seq2[trace.Batch, error]) iter.Seq2[trace.Batch, error] {
	return func(yield func(trace.Batch, error) bool) {
		full, empty := make(chan *block, blocksAhead), make(chan *block, blocksAhead)
		for range blocksAhead {
			empty <- &block{samples: make([]trace.Sample, 0, blockSize)}
		}
		stop := make(chan struct{})
		go fill(batches, full, empty, stop)
		defer func() {
			close(stop)
			for range full { // until the goroutine closes it
			}
		}()
		for b := range full {
			rest := b.samples
			for _, p := range b.parts {
				if !yield(trace.Batch{Channel: p.channel, Samples: rest[:p.n]}, nil) {
					return
				}
				rest = rest[p.n:]
			}
			if b.err != nil {
				yield(trace.Batch{}, b.err)
				return
			}
			empty <- b
		}
	}
}

// fill copies batches into blocks until there are no more of them or nobody wants them.
func fill(batches iter.Seq2[trace.Batch, error], full chan<- *block, empty <-chan *block, stop <-chan struct{}) {
	defer close(full)
	var b *block
	next := func() bool { // sends the block there is and takes an empty one
		if b != nil {
			select {
			case full <- b:
			case <-stop:
				return false
			}
		}
		select {
		case b = <-empty:
			b.samples, b.parts = b.samples[:0], b.parts[:0]
			return true
		case <-stop:
			return false
		}
	}
	if !next() {
		return
	}
	for batch, err := range batches {
		if err != nil {
			b.err = err
			break
		}
		for rest := batch.Samples; len(rest) > 0; {
			if len(b.samples) == blockSize && !next() {
				return
			}
			n := min(len(rest), blockSize-len(b.samples))
			b.samples = append(b.samples, rest[:n]...)
			if last := len(b.parts) - 1; last >= 0 && b.parts[last].channel == batch.Channel {
				b.parts[last].n += n
			} else {
				b.parts = append(b.parts, part{batch.Channel, n})
			}
			rest = rest[n:]
		}
	}
	select {
	case full <- b:
	case <-stop:
	}
}
