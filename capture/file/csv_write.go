package file

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"

	"letthrough/capture/trace"
)

// WriteCSV writes a trace CSV: what ReadCSV gives back is the same trace, bit for bit.
func WriteCSV(w io.Writer, t Trace) error {
	return WriteCSVRows(w, t.Channels(), t.Batches())
}

// WriteCSVRows writes the first channel of current and the first of voltage among channels as a
// trace CSV, needing no more memory than one batch. The batches are in the order of their time, as
// trace.Merge gives them. Readings of current and voltage at one instant share a row.
func WriteCSVRows(w io.Writer, channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) error {
	c := csvWriter{w: bufio.NewWriterSize(w, 64<<10)}
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		if i := slices.IndexFunc(channels, func(c trace.Channel) bool { return c.Quantity == q }); i >= 0 {
			c.channels[q], c.has[q] = channels[i], true
		}
	}
	c.line = append(c.line, "time_s,current_a"...)
	if c.has[trace.Voltage] {
		c.line = append(c.line, ",voltage_v"...)
	}
	c.line = append(c.line, ",flags\r\n"...)
	if _, err := c.w.Write(c.line); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for b, err := range batches {
		if err != nil {
			return err
		}
		q := b.Channel.Quantity
		if int(q) >= len(c.has) || !c.has[q] || b.Channel != c.channels[q] {
			continue
		}
		for _, s := range b.Samples {
			c.sample(q, s)
		}
	}
	c.flushRow()
	if err := c.w.Flush(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

// csvWriter keeps a current back until it is clear whether the voltage of its instant follows. The
// bufio.Writer remembers the first error.
type csvWriter struct {
	w        *bufio.Writer
	channels [2]trace.Channel
	has      [2]bool
	gap      [2]bool // a reading that is no number was left out: what follows comes after a gap
	waiting  bool
	current  trace.Sample
	line     []byte
}

func (c *csvWriter) sample(q trace.Quantity, s trace.Sample) {
	if math.IsNaN(s.Value) {
		c.gap[q] = true // no number, and none may be made of it
		return
	}
	if c.gap[q] {
		s.Flags |= trace.Gap
		c.gap[q] = false
	}
	if q == trace.Current {
		c.flushRow()
		c.current, c.waiting = s, true
		return
	}
	if c.waiting && c.current.AtNS == s.AtNS && c.current.Flags&trace.Gap == s.Flags&trace.Gap {
		c.row(&c.current, &s)
		c.waiting = false
		return
	}
	c.flushRow()
	c.row(nil, &s)
}

func (c *csvWriter) flushRow() {
	if c.waiting {
		c.row(&c.current, nil)
		c.waiting = false
	}
}

func (c *csvWriter) row(current, voltage *trace.Sample) {
	b := c.line[:0]
	flags := [3]string{}
	var at int64
	if current != nil {
		at = current.AtNS
		if current.Flags&trace.Over != 0 || math.IsInf(current.Value, 0) {
			flags[0] = overWord
		}
		if current.Flags&trace.Gap != 0 {
			flags[1] = gapWord
		}
	}
	if voltage != nil {
		at = voltage.AtNS
		if voltage.Flags&trace.Over != 0 || math.IsInf(voltage.Value, 0) {
			flags[2] = voltageOverWord
		}
		if voltage.Flags&trace.Gap != 0 {
			flags[1] = gapWord
		}
	}
	b = appendTime(b, at)
	b = append(b, ',')
	if current != nil && !math.IsInf(current.Value, 1) {
		b = appendValue(b, current.Value)
	}
	if c.has[trace.Voltage] {
		b = append(b, ',')
		if voltage != nil && !math.IsInf(voltage.Value, 1) {
			b = appendValue(b, voltage.Value)
		}
	}
	b = append(b, ',')
	for i, word := range flags {
		if word == "" {
			continue
		}
		if i > 0 && b[len(b)-1] != ',' {
			b = append(b, ' ')
		}
		b = append(b, word...)
	}
	c.line = append(b, '\r', '\n')
	c.w.Write(c.line)
}

// appendTime writes nanoseconds as seconds, exactly, without zeros that say nothing.
func appendTime(b []byte, ns int64) []byte {
	u := uint64(ns)
	if ns < 0 {
		b = append(b, '-')
		u = -u
	}
	b = strconv.AppendUint(b, u/1e9, 10)
	rest := u % 1e9
	if rest == 0 {
		return b
	}
	b = append(b, '.')
	for p := uint64(1e8); rest > 0; p /= 10 {
		b = append(b, byte('0'+rest/p))
		rest %= p
	}
	return b
}

// appendValue writes the shortest decimal that reads back as the same float64.
func appendValue(b []byte, v float64) []byte {
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.AppendFloat(b, v, 'e', -1, 64) // -Inf comes out as "-Inf"
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}
