package wire

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"letthrough/capture/trace"
)

// Spec is one instrument as it is named on the command line:
//
//	NAME=FORMAT:PORT?option=value&option=value
//
// Values are percent-decoded; a percent sign that no two hex digits follow stands for itself, so that
// accuracy=0.8%+3 may be written as it is.
type Spec struct {
	Name   string
	Format string
	Port   string

	Baud       int    // 0: the port's default
	Line       string // data bits, parity and stop bits, as in 7E1; empty: 8N1
	DTR, RTS   *bool  // nil: as opening sets them, both on
	Unit       string
	Accuracy   trace.Accuracy
	Resolution float64  // A or V, 0: unknown
	FullScale  float64  // A or V, 0: unknown; readings from there on are over-range
	AveragingS *float64 // nil: not stated
	Channel    trace.Quantity
	// ChannelSet tells whether the channel was said (by channel= or unit=) or is the default.
	ChannelSet bool

	Options map[string]string // the format's own, percent-decoded

	// What does not stand in the argument.
	Wait         bool                                 // a port that is not there yet is waited for
	Calibrations map[trace.Quantity]trace.Calibration // what makes its readings right; they are sent on as shown

	description *description // of frames, once it was read
}

// CommonOptions are those that every format has.
func CommonOptions() []Option {
	return []Option{
		{"baud", "115200", "50 to 20000000", "speed of the line; boards with USB of their own ignore it"},
		{"line", "8N1", "7 or 8, N E or O, 1 or 2, such as 8E1", "data bits, parity (none, even, odd) and stop bits"},
		{"dtr", "on", "on, off", "the modem line DTR while the port is open; some cables feed their optics from it"},
		{"rts", "on", "on, off", "the modem line RTS while the port is open"},
		{"channel", "current", "current, voltage", "what the instrument measures"},
		{"unit", "A or V", "A, mA, V, mV", "unit of numbers that stand without one"},
		{"accuracy", "", `such as 0.8%+3, or 2A:0.8%+3@0.001;10A:1.2%+5@0.01`, "the instrument's specification: percent of reading + counts of its last digit; for each range behind its full scale, what one count is worth behind the @"},
		{"resolution", "", "A or V, above 0", "what one count of the last digit is worth"},
		{"fullscale", "", "A or V, above 0", "where its readings stop; from there on they are over-range"},
		{"averaging", "", "seconds, such as 0.3 or 300ms; 0: none", "the time that one reading averages over"},
	}
}

// ParseSpec reads an instrument as it is named on the command line. The error names the option, what
// was given and what is allowed.
func ParseSpec(arg string) (Spec, error) {
	s, err := parseSpec(arg)
	if err != nil {
		return Spec{}, fmt.Errorf("instrument %q: %w", arg, err)
	}
	return s, nil
}

func parseSpec(arg string) (Spec, error) {
	const form = "want NAME=FORMAT:PORT?option=value&..., such as shunt=text:/dev/ttyACM0?baud=115200&time=us"
	s := Spec{Options: map[string]string{}}
	name, rest, ok := strings.Cut(arg, "=")
	if !ok {
		return s, errors.New(form)
	}
	if err := checkName(name); err != nil {
		return s, err
	}
	s.Name = name
	head, query, _ := strings.Cut(rest, "?")
	s.Format, s.Port, ok = strings.Cut(head, ":")
	if !ok {
		return s, errors.New(form)
	}
	f, ok := FindFormat(s.Format)
	if !ok {
		var names []string
		for _, f := range Formats() {
			names = append(names, f.Name)
		}
		return s, fmt.Errorf("format %q: allowed are %s", s.Format, strings.Join(names, ", "))
	}
	if s.Port == "" {
		return s, fmt.Errorf(`no port is given; "letthrough ports" lists what is there: %s`, form)
	}
	if err := s.parseOptions(query, f); err != nil {
		return s, err
	}
	if s.Format == "frame" {
		var err error
		if s.description, err = s.frames(); err != nil {
			return s, err
		}
	}
	// The format itself has the last word on its options, so that a bad one is found here and not
	// when the port is opened.
	if _, err := f.New(s); err != nil {
		return s, err
	}
	return s, nil
}

func checkName(name string) error {
	if name == "" || len(name) > 40 {
		return fmt.Errorf("name %q: want 1 to 40 letters, digits, spaces, or any of . - _", name)
	}
	for _, r := range name {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune(" -_.", r) {
			return fmt.Errorf("name %q: %q is not allowed; want letters, digits, spaces, or any of . - _", name, r)
		}
	}
	return nil
}

func (s *Spec) parseOptions(query string, f Format) error {
	seen := map[string]bool{}
	for part := range strings.SplitSeq(query, "&") {
		if part == "" {
			continue
		}
		name, raw, ok := strings.Cut(part, "=")
		if !ok {
			return fmt.Errorf("option %q has no value; want %s=VALUE", name, name)
		}
		if seen[name] {
			return fmt.Errorf("option %s is given twice", name)
		}
		seen[name] = true
		value := unescape(raw)
		known, err := s.common(name, value)
		if err != nil {
			return err
		}
		if known {
			continue
		}
		if !slices.ContainsFunc(f.Options, func(o Option) bool { return o.Name == name }) {
			var names []string
			for _, o := range slices.Concat(CommonOptions(), f.Options) {
				names = append(names, o.Name)
			}
			return fmt.Errorf("option %s is unknown to format %s; allowed are %s", name, f.Name, strings.Join(names, ", "))
		}
		s.Options[name] = value
	}
	return s.reconcile()
}

// common sets one of the common options, or says that it is none of them.
func (s *Spec) common(name, value string) (known bool, err error) {
	switch name {
	case "baud":
		n, err := strconv.Atoi(value)
		if err != nil || n < 50 || n > 20_000_000 {
			return true, optionError(name, value, "a whole number from 50 to 20000000")
		}
		s.Baud = n
	case "line":
		if s.Line = strings.ToUpper(value); !framing(s.Line) {
			return true, optionError(name, value, "data bits 7 or 8, parity N, E or O, stop bits 1 or 2, such as 8N1 or 7E1")
		}
	case "dtr":
		s.DTR, err = onOff(name, value)
	case "rts":
		s.RTS, err = onOff(name, value)
	case "unit":
		if !slices.Contains([]string{"A", "mA", "V", "mV"}, value) {
			return true, optionError(name, value, "A, mA, V, mV")
		}
		s.Unit = value
	case "channel":
		if s.Channel.UnmarshalText([]byte(value)) != nil {
			return true, optionError(name, value, "current, voltage")
		}
		s.ChannelSet = true
	case "accuracy":
		if s.Accuracy, err = trace.ParseAccuracy(value); err != nil {
			return true, optionError(name, value, "percent of reading and counts, such as 0.8%+3, or a line for each range, such as 2A:0.8%+3@0.001;10A:1.2%+5@0.01")
		}
	case "resolution":
		s.Resolution, err = positive(name, value)
	case "fullscale":
		s.FullScale, err = positive(name, value)
	case "averaging":
		var v float64
		if v, err = seconds(value); err != nil || v > 60 {
			return true, optionError(name, value, "0 to 60 seconds, such as 0.3 or 300ms")
		}
		s.AveragingS = &v
	default:
		return false, nil
	}
	return true, err
}

// framing tells whether a character's frame is written as in 8N1.
func framing(s string) bool {
	return len(s) == 3 && strings.Contains("78", s[:1]) && strings.Contains("NEO", s[1:2]) && strings.Contains("12", s[2:])
}

func onOff(name, value string) (*bool, error) {
	if value != "on" && value != "off" {
		return nil, optionError(name, value, "on, off")
	}
	on := value == "on"
	return &on, nil
}

// reconcile lets the unit say what is measured, and refuses a unit that contradicts the channel.
func (s *Spec) reconcile() error {
	if s.Unit == "" {
		return nil
	}
	q := trace.Current
	if strings.HasSuffix(s.Unit, "V") {
		q = trace.Voltage
	}
	_, two := s.Options["voltage"]
	switch {
	case !s.ChannelSet && !two:
		s.Channel, s.ChannelSet = q, true
	case s.ChannelSet && s.Channel != q && !two:
		return fmt.Errorf("option unit=%s contradicts channel=%s; give one of them, or a unit of %s", s.Unit, s.Channel, s.Channel.Unit())
	}
	return nil
}

func optionError(name, value, allowed string) error {
	return fmt.Errorf("option %s=%s: allowed: %s", name, value, allowed)
}

func positive(name, value string) (float64, error) {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || !(v > 0) || v > 1e4 {
		return 0, optionError(name, value, "a number of A or V above 0, at most 10000")
	}
	return v, nil
}

// seconds reads a duration as it is written everywhere: 30, 30s or 500ms.
func seconds(value string) (float64, error) {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		var d time.Duration
		if d, err = time.ParseDuration(value); err != nil {
			return 0, err
		}
		v = d.Seconds()
	}
	if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		return 0, errors.New("out of range")
	}
	return v, nil
}

// unescape decodes %hh and leaves every other percent sign, and every plus, as it is.
func unescape(s string) string {
	for i := 0; i+2 < len(s); i++ {
		if s[i] == '%' {
			if c, err := strconv.ParseUint(s[i+1:i+3], 16, 8); err == nil && s[i+1] != '+' && s[i+1] != '-' {
				s = s[:i] + string([]byte{byte(c)}) + s[i+3:]
			}
		}
	}
	return s
}

// String writes the argument that ParseSpec reads, with every option that was set.
func (s Spec) String() string {
	var q []string
	add := func(name, value string) {
		q = append(q, name+"="+strings.ReplaceAll(url.QueryEscape(value), "+", "%20"))
	}
	if s.Baud != 0 {
		add("baud", strconv.Itoa(s.Baud))
	}
	if s.Line != "" {
		add("line", s.Line)
	}
	for _, l := range []struct {
		name string
		on   *bool
	}{{"dtr", s.DTR}, {"rts", s.RTS}} {
		if l.on != nil {
			add(l.name, map[bool]string{true: "on", false: "off"}[*l.on])
		}
	}
	if s.ChannelSet {
		add("channel", s.Channel.String())
	}
	if s.Unit != "" {
		add("unit", s.Unit)
	}
	if s.Accuracy != (trace.Accuracy{}) {
		add("accuracy", s.Accuracy.String())
	}
	for _, o := range []struct {
		name string
		v    float64
	}{{"resolution", s.Resolution}, {"fullscale", s.FullScale}} {
		if o.v != 0 {
			add(o.name, strconv.FormatFloat(o.v, 'g', -1, 64))
		}
	}
	if s.AveragingS != nil {
		add("averaging", strconv.FormatFloat(*s.AveragingS, 'g', -1, 64))
	}
	var own []string
	for name := range s.Options {
		own = append(own, name)
	}
	slices.Sort(own)
	for _, name := range own {
		add(name, s.Options[name])
	}
	out := s.Name + "=" + s.Format + ":" + s.Port
	if len(q) > 0 {
		out += "?" + strings.Join(q, "&")
	}
	return out
}

// ReadsAs tells whether both make the same readings of the same bytes, so that a calibration made with one
// holds for the other: names, ports and what the manual says of the instrument may differ.
func (s Spec) ReadsAs(other Spec) bool {
	return s.Format == other.Format && s.Unit == other.Unit && s.Channel == other.Channel && maps.Equal(s.Options, other.Options)
}

// Apply puts the instrument's own specification into a derivation's settings, which are about current:
// an instrument that measures voltage only changes nothing.
func (s Spec) Apply(set *trace.Settings) {
	if s.Channel != trace.Current {
		set.VoltageAveragingS = s.AveragingS
		return
	}
	set.Accuracy, set.ResolutionA, set.FullScaleA = s.Accuracy, s.Resolution, s.FullScale
	if s.Format == "codes" && set.ResolutionA == 0 {
		if sc, err := newScales(s); err == nil {
			set.ResolutionA = sc.ampsPerCode
		}
	}
	if s.Format == "frame" && set.ResolutionA == 0 {
		set.ResolutionA = frameCount(s)
	}
	set.AveragingS, set.StampUS = s.AveragingS, s.StampUS()
	if update := trace.DisplayUpdateS; s.ByHand() && s.AveragingS == nil {
		set.AveragingS = &update
	}
	set.Calibration = s.Calibrations[trace.Current]
}
