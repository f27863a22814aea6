package web

import (
	"io"
	"math"
	"net/http"
	"strconv"

	"letthrough/capture/trace"
	"letthrough/store"
)

// exportCSV writes the samples as the trace CSV, on the run's own time base, one row an instant. It
// holds one row at a time, however long the run is.
func (s *Server) exportCSV(r *http.Request, w io.Writer, run store.Run) error {
	c := csvRows{w: w}
	for _, ch := range run.Channels {
		c.voltage = c.voltage || ch.Quantity == trace.Voltage
	}
	if err := c.header(); err != nil {
		return err
	}
	for b, err := range s.store.Batches(r.Context(), run.ID) {
		if err != nil {
			return err
		}
		for _, x := range b.Samples {
			if err := c.add(b.Channel.Quantity, x); err != nil {
				return err
			}
		}
	}
	return c.flush()
}

// csvRows puts samples of the same instant into one row.
type csvRows struct {
	w       io.Writer
	voltage bool
	row     [2]*trace.Sample
	buf     []byte
}

func (c *csvRows) header() error {
	h := "time_s,current_a,flags\r\n"
	if c.voltage {
		h = "time_s,current_a,voltage_v,flags\r\n"
	}
	_, err := io.WriteString(c.w, h)
	return err
}

func (c *csvRows) add(q trace.Quantity, x trace.Sample) error {
	other := c.row[1-q]
	if c.row[q] != nil || other != nil && other.AtNS != x.AtNS {
		if err := c.flush(); err != nil {
			return err
		}
	}
	c.row[q] = &x
	return nil
}

func (c *csvRows) flush() error {
	cur, volt := c.row[trace.Current], c.row[trace.Voltage]
	if cur == nil && volt == nil {
		return nil
	}
	var at int64
	var flags trace.Flags
	for _, x := range c.row {
		if x != nil {
			at, flags = x.AtNS, flags|x.Flags
		}
	}
	b := strconv.AppendFloat(c.buf[:0], float64(at)/1e9, 'f', -1, 64)
	b = appendValue(append(b, ','), cur)
	if c.voltage {
		b = appendValue(append(b, ','), volt)
	}
	b = append(b, ',')
	switch {
	case flags&trace.Over != 0:
		b = append(b, "over"...)
	case flags&trace.Gap != 0:
		b = append(b, "gap"...)
	}
	c.buf, c.row = append(b, "\r\n"...), [2]*trace.Sample{}
	_, err := c.w.Write(c.buf)
	return err
}

// appendValue leaves a cell empty where there is no number.
func appendValue(b []byte, x *trace.Sample) []byte {
	if x == nil || math.IsInf(x.Value, 0) || math.IsNaN(x.Value) {
		return b
	}
	return strconv.AppendFloat(b, x.Value, 'g', -1, 64)
}
