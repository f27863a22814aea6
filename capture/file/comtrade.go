package file

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"letthrough/capture/trace"
)

// COMTRADE is IEEE C37.111-1999 and -2013 (IEC 60255-24): a configuration (.cfg) and data (.dat), or
// both in one file (.cff, 2013). Read are ASCII, BINARY, BINARY32 and FLOAT32 data.

// ComtradeOptions name the channels; empty: the first that is measured in amperes and in volts.
type ComtradeOptions struct {
	CurrentChannel string // identifier, or its number from 1
	VoltageChannel string
}

const (
	maxConfig = 4 << 20 // a configuration of 20,000 channels
	maxData   = 2 << 30
)

// ReadComtrade reads a record from its configuration and its data; the names stand in errors.
func ReadComtrade(cfg, dat io.Reader, cfgName, datName string, opt ComtradeOptions) (Trace, error) {
	text, err := readAtMost(cfg, cfgName, maxConfig)
	if err != nil {
		return Trace{}, err
	}
	data, err := readAtMost(dat, datName, maxData)
	if err != nil {
		return Trace{}, err
	}
	return comtrade(text, data, cfgName, datName, opt)
}

func comtrade(cfg, data []byte, cfgName, datName string, opt ComtradeOptions) (Trace, error) {
	c, err := parseConfig(cfg, cfgName)
	if err != nil {
		return Trace{}, err
	}
	d := comtradeReader{config: c, name: datName, data: data, out: Trace{Name: cfgName, Started: c.started}}
	d.readStatus()
	if d.current, err = c.pick(trace.Current, opt.CurrentChannel); err != nil {
		return Trace{}, err
	}
	if d.current < 0 {
		return Trace{}, &Error{File: cfgName, Want: "want an analogue channel in amperes", Got: c.describe(), Hint: "name one with --current-column"}
	}
	if d.voltage, err = c.pick(trace.Voltage, opt.VoltageChannel); err != nil {
		return Trace{}, err
	}
	if d.voltage == d.current {
		return Trace{}, &Error{File: cfgName, Want: "want one channel for the current and another for the voltage", Got: "the same for both"}
	}
	if c.format == "ASCII" {
		err = d.ascii()
	} else {
		err = d.binary()
	}
	if err != nil {
		return Trace{}, err
	}
	d.out.Warnings = append(d.out.Warnings, d.sideWarnings(d.current, d.voltage)...)
	if len(d.out.Current) == 0 {
		return Trace{}, &Error{File: datName, Want: "want samples of the current", Got: "none"}
	}
	return d.out, nil
}

// readComtrade reads the record that path belongs to: a .cff, or a .cfg and the .dat beside it.
func readComtrade(path string, opt ComtradeOptions) (Trace, error) {
	ext := filepath.Ext(path)
	if strings.EqualFold(ext, ".cff") {
		f, err := os.Open(path)
		if err != nil {
			return Trace{}, openError(path, err)
		}
		defer f.Close()
		return ReadCFF(f, path, opt)
	}
	base := strings.TrimSuffix(path, ext)
	cfg, cfgName, err := openSibling(base, ".cfg", ".CFG")
	if err != nil {
		return Trace{}, err
	}
	defer cfg.Close()
	dat, datName, err := openSibling(base, ".dat", ".DAT")
	if err != nil {
		return Trace{}, err
	}
	defer dat.Close()
	return ReadComtrade(cfg, dat, cfgName, datName, opt)
}

func openSibling(base string, exts ...string) (*os.File, string, error) {
	for _, ext := range exts {
		f, err := os.Open(base + ext)
		if err == nil {
			return f, base + ext, nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return nil, "", openError(base+ext, err)
		}
	}
	return nil, "", &Error{File: base + exts[0], Want: "want the other half of the COMTRADE record", Got: "no such file",
		Hint: "put the .cfg and the .dat into one folder"}
}

func readAtMost(r io.Reader, name string, most int64) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, openError(name, err)
	}
	if int64(len(b)) > most {
		return nil, &Error{File: name, Want: fmt.Sprintf("want at most %d bytes", most), Got: "more"}
	}
	return b, nil
}

// ReadCFF reads a combined file. Its parts begin with lines such as "--- file type: CFG ---" and
// "--- file type: DAT BINARY: 702 ---", whose number is the bytes that follow.
func ReadCFF(r io.Reader, name string, opt ComtradeOptions) (Trace, error) {
	all, err := readAtMost(r, name, maxData)
	if err != nil {
		return Trace{}, err
	}
	var cfg, dat []byte
	var haveCfg, haveDat bool
	rest := bytes.TrimPrefix(all, []byte("\xef\xbb\xbf"))
	for len(rest) > 0 {
		line, after := cutLine(rest)
		kind, length, ok := cffPart(line)
		if !ok {
			rest = after
			continue
		}
		part := after
		if length >= 0 {
			if length > len(after) {
				return Trace{}, &Error{File: name, Want: fmt.Sprintf("want %d bytes of data from byte %d on", length, len(all)-len(after)), Got: strconv.Itoa(len(after))}
			}
			part, rest = after[:length], after[length:]
		} else {
			part, rest = cutPart(after)
		}
		switch kind {
		case "CFG":
			cfg, haveCfg = part, true
		case "DAT":
			dat, haveDat = part, true
		}
	}
	if !haveCfg || !haveDat {
		return Trace{}, &Error{File: name, Want: "want a combined COMTRADE file with the parts CFG and DAT",
			Got: fmt.Sprintf("CFG: %s, DAT: %s", yesNo(haveCfg), yesNo(haveDat))}
	}
	return comtrade(cfg, dat, name, name, opt)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// cutPart gives what stands before the next part's line.
func cutPart(b []byte) (part, rest []byte) {
	for at := 0; at < len(b); {
		line, after := cutLine(b[at:])
		if _, _, ok := cffPart(line); ok {
			return b[:at], b[at:]
		}
		at = len(b) - len(after)
	}
	return b, nil
}

// cffPart reads the line that begins a part; length is -1 where it says none.
func cffPart(line []byte) (kind string, length int, ok bool) {
	s, found := strings.CutPrefix(strings.TrimSpace(string(line[:min(len(line), 80)])), "---")
	if !found {
		return "", 0, false
	}
	s = strings.TrimSpace(strings.TrimSuffix(s, "---"))
	label, what, found := strings.Cut(s, ":")
	if !found || !strings.EqualFold(strings.TrimSpace(label), "file type") {
		return "", 0, false
	}
	what, number, found := strings.Cut(what, ":")
	length = -1
	if found {
		n, err := strconv.Atoi(strings.TrimSpace(number))
		if err != nil || n < 0 {
			return "", 0, false
		}
		length = n
	}
	words := strings.Fields(strings.ToUpper(what))
	if len(words) == 0 {
		return "", 0, false
	}
	return words[0], length, true
}

// cutLine gives a line without its end, which may be CR LF, and what follows.
func cutLine(b []byte) (line, rest []byte) {
	line, rest, _ = bytes.Cut(b, []byte("\n"))
	return bytes.TrimSuffix(line, []byte("\r")), rest
}

// comtradeReader turns records into samples.
type comtradeReader struct {
	config
	name             string
	data             []byte
	current, voltage int // analogue channels from 0; -1: none
	out              Trace
	gap              [2]bool
	flags            [2][]flagChannel // by quantity
	marks            []outsideChannel
}

// readStatus finds the status channels that say something of the readings or are marks from outside.
func (d *comtradeReader) readStatus() {
	for i, c := range d.status {
		if q, word, ok := c.flag(); ok {
			d.flags[q] = append(d.flags[q], flagChannel{i, word})
		}
		if kind, by, ok := c.mark(); ok && by != trace.Detector { // the detector's are found again
			d.marks = append(d.marks, outsideChannel{i, trace.Mark{Kind: kind, By: by}})
		}
	}
}

type flagChannel struct {
	channel int
	word    string
}

type outsideChannel struct {
	channel int
	mark    trace.Mark
}

// mark keeps the marks that a record carries. One made by hand is as uncertain as any.
func (d *comtradeReader) mark(at int64, set func(channel int) bool) {
	for _, m := range d.marks {
		if !set(m.channel) {
			continue
		}
		m.mark.ID, m.mark.T = len(d.out.Marks)+1, float64(at)/1e9
		if m.mark.By == trace.Hand {
			m.mark.U = trace.HandU
		}
		d.out.Marks = append(d.out.Marks, m.mark)
	}
}

// add keeps one reading; a missing one leaves a gap, unless the record says itself where gaps are.
func (d *comtradeReader) add(q trace.Quantity, channel int, at int64, raw float64, missing bool, set func(channel int) bool) {
	v := d.analog[channel].value(raw)
	missing = missing || math.IsInf(v, 0) || math.IsNaN(v)
	s := trace.Sample{AtNS: at, Value: v}
	told, below := false, false
	for _, f := range d.flags[q] {
		is := set(f.channel)
		switch {
		case f.word == gapWord:
			told = true
			if is {
				s.Flags |= trace.Gap
			}
		case f.word == overWord && is:
			s.Flags |= trace.Over
		case f.word == belowWord && is:
			below = true
		}
	}
	if missing && s.Flags&trace.Over == 0 {
		d.gap[q] = d.gap[q] || !told
		return
	}
	if missing {
		s.Value = math.Inf(1)
		if below {
			s.Value = math.Inf(-1)
		}
	}
	if d.gap[q] {
		s.Flags, d.gap[q] = s.Flags|trace.Gap, false
	}
	if q == trace.Voltage {
		d.out.Voltage = append(d.out.Voltage, s)
	} else {
		d.out.Current = append(d.out.Current, s)
	}
}

// value is a*raw + b in A or V. Where that is one decimal number it is rounded once, as if it had
// been written out.
func (a analog) value(raw float64) float64 {
	exp := a.factor.exp + a.power
	if product := raw * float64(a.factor.mantissa); a.b == 0 && a.factor.exact && a.factor.mantissa < 1<<53 &&
		exp <= 0 && exp >= -22 && raw == math.Trunc(raw) && math.Abs(product) < 1<<53 {
		if a.factor.negative {
			product = -product
		}
		return product / pow10[-exp]
	}
	v := a.a*raw + a.b
	switch {
	case a.power < 0:
		return v / pow10[-a.power]
	case a.power > 0:
		return v * pow10[a.power]
	}
	return v
}

// at is the time of record n (from 0) in ns: by the sampling rates where the configuration has any,
// else by the record's own stamp, which is then what counts.
func (c config) at(n int64, stamp float64, missing bool) (ns int64, ok bool) {
	if len(c.rates) == 0 {
		t := stamp * c.timeMult * c.stampNS
		if missing || math.IsNaN(t) || math.Abs(t) >= math.MaxInt64 {
			return 0, false
		}
		return int64(math.Round(t)), true
	}
	begin, before := 0.0, int64(0)
	for i, r := range c.rates {
		if n < r.last || i == len(c.rates)-1 {
			return trace.NS(begin + float64(n-before)/r.hz), true
		}
		begin += float64(r.last-before) / r.hz
		before = r.last
	}
	return 0, false
}
