package wire

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// The frame format: what hand-held meters send, as a description says. Bytes that are no frame as
// described are garbled; a frame that shows anything but what was asked for is refused in words.

//go:embed frames/*.frame
var shippedFrames embed.FS

// FrameKinds lists the shipped descriptions, sorted.
func FrameKinds() (names []string) {
	entries, _ := shippedFrames.ReadDir("frames")
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".frame"))
	}
	slices.Sort(names)
	return names
}

func frameFormat() Format {
	return Format{
		Name:  "frame",
		About: "frames of hand-held meters, as a description of a few lines says",
		Options: []Option{
			{"kind", "none: kind or file must be given", strings.Join(FrameKinds(), ", "), "a shipped description, see the help page Frames"},
			{"file", "none: kind or file must be given", "a path that ends in .frame", "a description of one's own"},
			{"current", "the first display", "the name of a display", "which display shows the current"},
			{"voltage", "none", "the name of a display", "which display shows the voltage"},
		},
		New: newFrames,
	}
}

// frames gives the description that a spec names: the one that ParseSpec read, so that a file which is
// changed meanwhile changes nothing.
func (s Spec) frames() (*description, error) {
	if s.description != nil {
		return s.description, nil
	}
	kind, haveKind := s.Options["kind"]
	path, haveFile := s.Options["file"]
	switch {
	case haveKind == haveFile:
		return nil, fmt.Errorf("give one of the options kind=NAME (shipped: %s) and file=PATH (a description of your own)", strings.Join(FrameKinds(), ", "))
	case haveFile:
		return readFrames(path)
	}
	text, err := shippedFrames.ReadFile("frames/" + kind + ".frame")
	if err != nil || !slices.Contains(FrameKinds(), kind) {
		return nil, optionError("kind", Printable([]byte(kind)), strings.Join(FrameKinds(), ", ")+"; for another meter write a description and give file=PATH")
	}
	d, err := parseFrames(kind+".frame", text)
	if err != nil {
		return nil, fmt.Errorf("option kind=%s: this description is to be completed: write a file of your own that begins with the line \"like %s\" and adds what is missing (%w)", kind, kind, err)
	}
	return d, nil
}

// readFrames reads a description from a file. The name must say that it is one: a spec may come from a
// browser, and a message quotes what it cannot read.
func readFrames(path string) (*description, error) {
	bad := func(err error) error {
		return fmt.Errorf("option file=%s: %w", Printable([]byte(path)), err)
	}
	if filepath.Ext(path) != ".frame" {
		return nil, bad(errors.New("allowed: a path that ends in .frame"))
	}
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("not a file")
	}
	if err != nil {
		return nil, bad(plainError(err))
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, bad(plainError(err))
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxFrameFile+1))
	if err != nil {
		return nil, bad(plainError(err))
	}
	return parseFrames(filepath.Base(path), text)
}

// plainError leaves out the path, which is said already.
func plainError(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// Opened gives the spec with what its port needs: where it does not say so itself, what the description of
// its meter says.
func (s Spec) Opened() Spec {
	if s.Format != "frame" {
		return s
	}
	d, err := s.frames()
	if err != nil {
		return s
	}
	if s.Baud == 0 {
		s.Baud = d.port.Baud
	}
	if s.Line == "" {
		s.Line = d.port.Line
	}
	if s.DTR == nil {
		s.DTR = d.port.DTR
	}
	if s.RTS == nil {
		s.RTS = d.port.RTS
	}
	return s
}

// frameCount is what one count of the display of the current is worth, in amperes, 0 where that depends
// on the meter's range: a resolution that holds for one range only would be a lie in the others.
func frameCount(s Spec) float64 {
	d, err := s.frames()
	if err != nil {
		return 0
	}
	use, err := useOf(s, d)
	if err != nil {
		return 0
	}
	i := slices.IndexFunc(use, func(u int) bool { return u >= 0 && u == int(trace.Current) })
	if i < 0 || d.displays[i].point {
		return 0
	}
	count := math.NaN()
	for _, dec := range d.displays[i].decimals {
		for _, u := range d.displays[i].units {
			exp := u.exp
			switch {
			case u.symbol == "none":
				exp = unitExp(s)
			case u.quantity != trace.Current:
				continue
			}
			v, _ := decimalValue(1, 1, exp-dec.decimals)
			if !math.IsNaN(count) && v != count {
				return 0
			}
			count = v
		}
	}
	if math.IsNaN(count) {
		return 0
	}
	return count
}

// unitExp is the power of ten of the option unit.
func unitExp(s Spec) int {
	if strings.HasPrefix(s.Unit, "m") {
		return -3
	}
	return 0
}

// useOf says what each display is read as: a trace.Quantity, or -1 where it is not read.
func useOf(s Spec, d *description) ([]int, error) {
	use := make([]int, len(d.displays))
	for i := range use {
		use[i] = -1
	}
	var names []string
	for _, v := range d.displays {
		names = append(names, v.name)
	}
	named := false
	for _, q := range []trace.Quantity{trace.Current, trace.Voltage} {
		name, ok := s.Options[q.String()]
		if !ok {
			continue
		}
		i := slices.Index(names, name)
		if i < 0 {
			return nil, optionError(q.String(), Printable([]byte(name)), "one of the displays "+strings.Join(names, ", "))
		}
		if use[i] >= 0 {
			return nil, fmt.Errorf("options current and voltage name the same display %s", name)
		}
		use[i] = int(q)
		named = named || q == s.Channel
	}
	if !named { // the first display that is not taken shows what the channel says
		i := slices.Index(use, -1)
		if i < 0 {
			return nil, fmt.Errorf("option channel=%s: no display is left for it; the description has %s", s.Channel, strings.Join(names, ", "))
		}
		use[i] = int(s.Channel)
	}
	for i, u := range use {
		if u < 0 || d.displays[i].units[0].symbol != "none" {
			continue
		}
		if q := trace.Quantity(u); s.Unit == "" || !strings.HasSuffix(s.Unit, q.Unit()) {
			return nil, fmt.Errorf("option unit is missing for the %s: these frames do not say their unit; give unit=%s or m%s, as the meter shows", q, q.Unit(), q.Unit())
		}
	}
	return use, nil
}
