package file

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"

	"letthrough/capture/trace"
)

// The values that stand for a reading that is missing (IEEE C37.111; those of BINARY32 and FLOAT32
// are from memory).
const (
	missingASCII1991  = 999_999
	missingStamp      = 0xFFFFFFFF
	missingBinary     = -0x8000
	missingBinary1991 = -1 // 0xFFFF
	missingBinary32   = math.MinInt32
	missingFloat32    = -math.MaxFloat32
)

// records checks that there are as many records as the configuration says.
func (d *comtradeReader) records(n int64) error {
	if n == 0 {
		return &Error{File: d.name, Want: "want the data of a COMTRADE record", Got: "an empty file"}
	}
	if n < d.last {
		return &Error{File: d.name, Want: fmt.Sprintf("want %d records, as its configuration says", d.last), Got: strconv.FormatInt(n, 10), Hint: "the file is cut short: copy it again"}
	}
	if n > d.last {
		return &Error{File: d.name, Want: fmt.Sprintf("want %d records, as its configuration says", d.last), Got: strconv.FormatInt(n, 10), Hint: "check that both files belong together"}
	}
	return nil
}

// ascii reads records of comma-separated whole numbers.
func (d *comtradeReader) ascii() error {
	rest := bytes.TrimRight(d.data, "\x1a \r\n") // some writers end with a substitute character
	n := int64(0)
	for ; len(rest) > 0; n++ {
		var line []byte
		line, rest = cutLine(rest)
		if n >= d.last {
			return d.records(n + 1 + int64(bytes.Count(rest, []byte("\n"))))
		}
		cells := bytes.Split(line, []byte(","))
		if want := 2 + len(d.analog) + len(d.status); len(cells) != want {
			return &Error{File: d.name, Line: int(n) + 1, Want: fmt.Sprintf("want %d fields", want), Got: strconv.Itoa(len(cells))}
		}
		if err := d.asciiRecord(n, cells); err != nil {
			return err
		}
	}
	return d.records(n)
}

func (d *comtradeReader) asciiRecord(n int64, cells [][]byte) error {
	number := func(i int, what string) (v float64, missing bool, err error) {
		text := bytes.TrimSpace(cells[i])
		if len(text) == 0 {
			return 0, true, nil
		}
		v, e := strconv.ParseFloat(string(text), 64)
		if e != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, false, &Error{File: d.name, Line: int(n) + 1, Column: strconv.Itoa(i + 1), Want: "want " + what, Got: quoted(text)}
		}
		return v, d.revision < 1999 && v == missingASCII1991, nil
	}
	if got, _, err := number(0, "the number of the record"); err != nil {
		return err
	} else if got != float64(n+1) {
		return &Error{File: d.name, Line: int(n) + 1, Column: "1", Want: fmt.Sprintf("want record %d", n+1), Got: quoted(cells[0])}
	}
	stamp, missing, err := number(1, "a time stamp")
	if err != nil {
		return err
	}
	at, ok := d.at(n, stamp, missing)
	if !ok {
		return &Error{File: d.name, Line: int(n) + 1, Column: "2", Want: "want a time stamp, since there is no sampling rate", Got: got(cells[1])}
	}
	set := func(i int) bool { return string(bytes.TrimSpace(cells[2+len(d.analog)+i])) == "1" }
	d.mark(at, set)
	for q, channel := range [2]int{trace.Current: d.current, trace.Voltage: d.voltage} {
		if channel < 0 {
			continue
		}
		raw, missing, err := number(2+channel, "a value")
		if err != nil {
			return err
		}
		d.add(trace.Quantity(q), channel, at, raw, missing, set)
	}
	return nil
}

// binary reads records of little-endian numbers: record, stamp, analogue channels, status channels
// sixteen to a word.
func (d *comtradeReader) binary() error {
	width := 4
	if d.format == "BINARY" {
		width = 2
	}
	size := 8 + width*len(d.analog) + 2*((len(d.status)+15)/16)
	if over := len(d.data) % size; over != 0 {
		return &Error{File: d.name, Want: fmt.Sprintf("want records of %d bytes", size), Got: fmt.Sprintf("%d bytes of one at byte %d", over, len(d.data)-over),
			Hint: "the file is cut short, or belongs to another configuration"}
	}
	if err := d.records(int64(len(d.data) / size)); err != nil {
		return err
	}
	for n := range len(d.data) / size {
		record := d.data[n*size:]
		if got := binary.LittleEndian.Uint32(record); got != uint32(n+1) {
			return &Error{File: d.name, Want: fmt.Sprintf("want record %d at byte %d", n+1, n*size), Got: strconv.FormatUint(uint64(got), 10)}
		}
		stamp := binary.LittleEndian.Uint32(record[4:])
		at, ok := d.at(int64(n), float64(stamp), stamp == missingStamp)
		if !ok {
			return &Error{File: d.name, Want: fmt.Sprintf("want a time stamp at byte %d, since there is no sampling rate", n*size+4), Got: "none"}
		}
		set := func(i int) bool { return record[8+width*len(d.analog)+i/8]>>(i%8)&1 == 1 }
		d.mark(at, set)
		for q, channel := range [2]int{trace.Current: d.current, trace.Voltage: d.voltage} {
			if channel >= 0 {
				raw, missing := d.raw(record[8+width*channel:])
				d.add(trace.Quantity(q), channel, at, raw, missing, set)
			}
		}
	}
	return nil
}

// raw reads one analogue value.
func (d *comtradeReader) raw(b []byte) (v float64, missing bool) {
	switch d.format {
	case "BINARY":
		i := int16(binary.LittleEndian.Uint16(b))
		if d.revision < 1999 {
			return float64(i), i == missingBinary1991
		}
		return float64(i), i == missingBinary
	case "BINARY32":
		i := int32(binary.LittleEndian.Uint32(b))
		return float64(i), i == missingBinary32
	default:
		f := math.Float32frombits(binary.LittleEndian.Uint32(b))
		v := float64(f)
		return v, f == missingFloat32 || math.IsNaN(v) || math.IsInf(v, 0)
	}
}
