package file

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"math"

	"letthrough/capture/trace"
)

// jsonSource is the JSON of a run that can be opened again and again.
type jsonSource struct {
	name string
	open func() (io.ReadCloser, error)
}

// maxHead bounds what a run may say besides its samples: a hundred thousand marks, many times over.
const maxHead = 32 << 20

// recording reads a document once from end to end, so that what is cut short or no row is found
// before anything is made of it. The samples are read again when they are walked over.
func (src jsonSource) recording() (trace.Recording, error) {
	w := jsonWalk{src: src, wanted: -1}
	if err := w.run(nil); err != nil {
		return trace.Recording{}, err
	}
	rec := w.head.recording()
	rec.Channels = w.channels
	var sources []iter.Seq2[trace.Batch, error]
	for i := range w.channels {
		sources = append(sources, func(yield func(trace.Batch, error) bool) {
			again := jsonWalk{src: src, wanted: i}
			if err := again.run(func(b trace.Batch) bool { return yield(b, nil) }); err != nil {
				yield(trace.Batch{}, err)
			}
		})
	}
	rec.Batches = trace.Merge(sources...)
	return rec, nil
}

// jsonWalk is one walk over a document. It hands over the samples of one channel, or only looks at
// all of them.
type jsonWalk struct {
	src      jsonSource
	s        *jsonScanner
	wanted   int // -1: look at everything
	head     runDocument
	channels []trace.Channel
	stopped  bool
}

func (w *jsonWalk) run(yield func(trace.Batch) bool) error {
	r, err := w.src.open()
	if err != nil {
		return err
	}
	defer r.Close()
	w.s = newJSONScanner(r, w.src.name)
	s := w.s
	s.expect('{')
	head := []byte{'{'}
	traced := false
	for first := true; s.more(first, '}'); first = false {
		k := s.key()
		if k == "trace" && !traced {
			traced = true
			s.decode(append(head, '}'), "the description of a run", &w.head)
			if z := w.head.Run.ZeroNS; z > farthestNS || z < -farthestNS {
				s.fail("want zero_ns within a century", fmt.Sprint(z), nil)
			}
			w.trace(yield)
			if w.stopped {
				return nil
			}
			continue
		}
		if traced {
			s.fail("want the samples, \"trace\", as the last member", fmt.Sprintf("%q", k), nil)
		}
		if len(head) > 1 {
			head = append(head, ',')
		}
		head = append(appendKey(head, k), s.value(maxHead-min(maxHead, len(head)))...)
	}
	s.end()
	if s.err == nil && !traced {
		s.fail("want the JSON of a run, with its samples under \"trace\"", "none", nil)
	}
	return s.err
}

// trace reads the channels.
func (w *jsonWalk) trace(yield func(trace.Batch) bool) {
	s := w.s
	s.expect('[')
	for first := true; s.more(first, ']') && !w.stopped; first = false {
		if len(w.channels) == maxRunChannels {
			s.fail(fmt.Sprintf("want at most %d channels", maxRunChannels), "more", nil)
			return
		}
		w.channel(yield)
	}
}

// maxRunChannels is the most channels a run is read with; a bench has a handful.
const maxRunChannels = 64

func (w *jsonWalk) channel(yield func(trace.Batch) bool) {
	s := w.s
	s.expect('{')
	head := []byte{'{'}
	rows := false
	for first := true; s.more(first, '}'); first = false {
		k := s.key()
		if k != "rows" || rows {
			if rows {
				s.fail("want \"rows\" as the last member", fmt.Sprintf("%q", k), nil)
			}
			if len(head) > 1 {
				head = append(head, ',')
			}
			head = append(appendKey(head, k), s.value(10_000)...)
			if len(head) > 100_000 {
				s.fail("want a channel described in a few words", "more", nil)
			}
			continue
		}
		rows = true
		var c jsonChannel
		s.decode(append(bytes.Clone(head), '}'), "the description of a channel", &c)
		if s.err == nil && c.Unit == "" {
			s.fail("want a channel's \"unit\" before its \"rows\", which are read as they come", "no unit yet", nil)
		}
		if s.err == nil && c.Unit != c.Quantity.Unit() {
			s.fail(fmt.Sprintf("want a %s in %s", c.Quantity, c.Quantity.Unit()), fmt.Sprintf("%.40q", c.Unit), nil)
		}
		for _, have := range w.channels {
			if have == c.Channel {
				s.fail("want every channel once", fmt.Sprintf("%.40q again", c.Instrument+" "+c.Quantity.String()), nil)
			}
		}
		w.channels = append(w.channels, c.Channel)
		w.rows(c.Channel, yield)
		if w.stopped {
			return
		}
	}
	if !rows {
		s.fail("want a channel with rows", "none", nil)
	}
}

// rows reads the samples of a channel and hands them over if they are wanted.
func (w *jsonWalk) rows(c trace.Channel, yield func(trace.Batch) bool) {
	s, zero := w.s, w.head.Run.ZeroNS
	wanted := w.wanted == len(w.channels)-1
	var samples []trace.Sample
	const most = 4096
	if wanted {
		samples = make([]trace.Sample, 0, most)
	}
	s.expect('[')
	for first := true; s.more(first, ']'); first = false {
		sample := s.row(zero)
		if s.err != nil {
			return
		}
		if !wanted {
			continue
		}
		if samples = append(samples, sample); len(samples) == most {
			if w.stopped = !yield(trace.Batch{Channel: c, Samples: samples}); w.stopped {
				return
			}
			samples = samples[:0]
		}
	}
	if s.err == nil && wanted {
		if len(samples) > 0 {
			yield(trace.Batch{Channel: c, Samples: samples})
		}
		w.stopped = true // the rest was looked at before
	}
}

func infinity(negative bool) float64 {
	if negative {
		return math.Inf(-1)
	}
	return math.Inf(1)
}

// farthestNS is the largest time that is read: two of them do not overflow.
const farthestNS = 1 << 61

func appendKey(b []byte, key string) []byte {
	k, _ := json.Marshal(key) // a string always has a JSON
	return append(append(b, k...), ':')
}
