package wire_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func TestParseSpec(t *testing.T) {
	zero, tenth, on, off := 0.0, 0.3, true, false
	for name, c := range map[string]struct {
		arg  string
		want wire.Spec
	}{
		"Short":     {"shunt=text:/dev/ttyACM0", wire.Spec{Name: "shunt", Format: "text", Port: "/dev/ttyACM0"}},
		"Options":   {"shunt=text:/dev/ttyACM0?baud=115200&time=us", wire.Spec{Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Baud: 115200, Options: map[string]string{"time": "us"}}},
		"Percent":   {"m 1=text:/dev/x?accuracy=0.8%25%2B3", wire.Spec{Name: "m 1", Format: "text", Port: "/dev/x", Accuracy: trace.Accuracy{Percent: 0.8, Counts: 3}}},
		"BareSigns": {"m=text:/dev/x?accuracy=0.8%+3", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", Accuracy: trace.Accuracy{Percent: 0.8, Counts: 3}}},
		"Averaging": {"m=text:/dev/x?averaging=300ms", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", AveragingS: &tenth}},
		"NoAverage": {"m=text:/dev/x?averaging=0", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", AveragingS: &zero}},
		"Scale":     {"m=text:/dev/x?fullscale=10&resolution=0.001", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", FullScale: 10, Resolution: 0.001}},
		"Voltage":   {"m=text:/dev/x?channel=voltage", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", Channel: trace.Voltage, ChannelSet: true}},
		"Line":      {"m=modbus:/dev/x?line=8e1&dtr=on&rts=off", wire.Spec{Name: "m", Format: "modbus", Port: "/dev/x", Line: "8E1", DTR: &on, RTS: &off}},
		"UnitSays":  {"m=text:/dev/x?unit=mV", wire.Spec{Name: "m", Format: "text", Port: "/dev/x", Unit: "mV", Channel: trace.Voltage, ChannelSet: true}},
		"PortColon": {"m=text:/dev/serial/by-path/pci-0000:00:14.0", wire.Spec{Name: "m", Format: "text", Port: "/dev/serial/by-path/pci-0000:00:14.0"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := wire.ParseSpec(c.arg)
			if err != nil {
				t.Fatal(err)
			}
			if c.want.Options == nil {
				c.want.Options = map[string]string{}
			}
			if !sameSpec(got, c.want) {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
			again, err := wire.ParseSpec(got.String())
			if err != nil || !sameSpec(again, got) {
				t.Errorf("%q reads back as %+v, %v", got.String(), again, err)
			}
		})
	}
}

func sameSpec(a, b wire.Spec) bool {
	if (a.AveragingS == nil) != (b.AveragingS == nil) || a.AveragingS != nil && *a.AveragingS != *b.AveragingS || len(a.Options) != len(b.Options) {
		return false
	}
	for k, v := range a.Options {
		if b.Options[k] != v {
			return false
		}
	}
	a.AveragingS, b.AveragingS, a.Options, b.Options = nil, nil, nil, nil
	for _, l := range [][2]*bool{{a.DTR, b.DTR}, {a.RTS, b.RTS}} {
		if (l[0] == nil) != (l[1] == nil) || l[0] != nil && *l[0] != *l[1] {
			return false
		}
	}
	return a.Name == b.Name && a.Line == b.Line && a.Format == b.Format && a.Port == b.Port && a.Baud == b.Baud && a.Unit == b.Unit && a.Accuracy == b.Accuracy &&
		a.Resolution == b.Resolution && a.FullScale == b.FullScale && a.Channel == b.Channel && a.ChannelSet == b.ChannelSet
}

func TestParseSpecSaysWhatIsWrong(t *testing.T) {
	for name, c := range map[string]struct {
		arg  string
		want []string // option, what was given, what is allowed
	}{
		"Empty":            {"", []string{"NAME=FORMAT:PORT"}},
		"NoName":           {"=text:/dev/x", []string{"name", "1 to 40"}},
		"BadName":          {"a/b=text:/dev/x", []string{"name", "a/b", "letters"}},
		"NoFormat":         {"m=/dev/x", []string{"NAME=FORMAT:PORT"}},
		"UnknownFormat":    {"m=texte:/dev/x", []string{"texte", "text"}},
		"NoPort":           {"m=text:", []string{"no port", "letthrough ports"}},
		"UnknownOption":    {"m=text:/dev/x?bauds=9600", []string{"bauds", "baud, "}},
		"NoValue":          {"m=text:/dev/x?time", []string{"time", "no value"}},
		"Twice":            {"m=text:/dev/x?time=us&time=ms", []string{"time", "twice"}},
		"Baud":             {"m=text:/dev/x?baud=fast", []string{"baud=fast", "50 to 20000000"}},
		"BaudRange":        {"m=text:/dev/x?baud=7", []string{"baud=7", "50 to"}},
		"Unit":             {"m=text:/dev/x?unit=W", []string{"unit=W", "A, mA, V, mV"}},
		"Line":             {"m=text:/dev/x?line=9N1", []string{"line=9N1", "7E1"}},
		"LineLong":         {"m=text:/dev/x?line=8N11", []string{"line=8N11", "7E1"}},
		"DTR":              {"m=text:/dev/x?dtr=1", []string{"dtr=1", "on, off"}},
		"Channel":          {"m=text:/dev/x?channel=power", []string{"channel=power", "current, voltage"}},
		"UnitContradicts":  {"m=text:/dev/x?channel=current&unit=mV", []string{"unit=mV", "channel=current"}},
		"UnitOfNoColumn":   {"m=text:/dev/x?channel=voltage&voltage=1&unit=mA", []string{"unit=mA", "no column"}},
		"Accuracy":         {"m=text:/dev/x?accuracy=good", []string{"accuracy=good", "0.8%+3"}},
		"Resolution":       {"m=text:/dev/x?resolution=0", []string{"resolution=0", "above 0"}},
		"ResolutionNaN":    {"m=text:/dev/x?resolution=NaN", []string{"resolution=NaN", "above 0"}},
		"FullScale":        {"m=text:/dev/x?fullscale=-1", []string{"fullscale=-1", "above 0"}},
		"Averaging":        {"m=text:/dev/x?averaging=slow", []string{"averaging=slow", "300ms"}},
		"AveragingLong":    {"m=text:/dev/x?averaging=2m", []string{"averaging=2m", "0 to 60"}},
		"Time":             {"m=text:/dev/x?time=min", []string{"time=min", "us, ms, s"}},
		"Wrap":             {"m=text:/dev/x?time=us&wrap=31", []string{"wrap=31", "16, 24, 32"}},
		"WrapWithoutTime":  {"m=text:/dev/x?wrap=32", []string{"wrap=32", "time"}},
		"Checksum":         {"m=text:/dev/x?checksum=crc", []string{"checksum=crc", "xor"}},
		"Column":           {"m=text:/dev/x?current=0", []string{"current=0", "1 to 32"}},
		"ColumnIsTime":     {"m=text:/dev/x?time=us&current=1", []string{"current=1", "column 1 is the time", "2 to 32"}},
		"SameColumn":       {"m=text:/dev/x?current=2&voltage=2", []string{"current", "voltage", "same column 2"}},
		"Delimiter":        {"m=text:/dev/x?delimiter=pipe", []string{"delimiter=pipe", "comma, semicolon"}},
		"DelimiterNone":    {"m=text:/dev/x?delimiter=none&time=us", []string{"delimiter=none", "2 columns"}},
		"Decimal":          {"m=text:/dev/x?decimal=dot", []string{"decimal=dot", "point, comma"}},
		"DecimalDelimiter": {"m=text:/dev/x?decimal=comma&delimiter=comma", []string{"decimal=comma", "delimiter=comma"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := wire.ParseSpec(c.arg)
			if err == nil {
				t.Fatal("accepted")
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("%q does not contain %q", err, want)
				}
			}
		})
	}
}

func TestSpecReadsBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arg := rapid.StringMatching(`[a-z]{1,9}=text:/dev/[a-zA-Z0-9]{1,8}(\?(baud=9600|time=us|unit=mA|voltage=3|averaging=0\.3|accuracy=1%\+2))?`).Draw(t, "arg")
		s, err := wire.ParseSpec(arg)
		if err != nil {
			t.Fatal(err)
		}
		again, err := wire.ParseSpec(s.String())
		if err != nil || !sameSpec(s, again) {
			t.Fatalf("%q became %q, %v", arg, s.String(), err)
		}
	})
}

func FuzzParseSpec(f *testing.F) {
	f.Fuzz(func(t *testing.T, arg string) {
		s, err := wire.ParseSpec(arg)
		if err != nil {
			return
		}
		if again, err := wire.ParseSpec(s.String()); err != nil || !sameSpec(s, again) {
			t.Errorf("%q became %q: %v", arg, s.String(), err)
		}
	})
}

func TestApply(t *testing.T) {
	s, err := wire.ParseSpec("m=text:/dev/x?accuracy=1%+2&resolution=0.01&fullscale=10&averaging=0.3")
	if err != nil {
		t.Fatal(err)
	}
	var set trace.Settings
	s.Apply(&set)
	if set.Accuracy.Percent != 1 || set.ResolutionA != 0.01 || set.FullScaleA != 10 || set.AveragingS == nil || *set.AveragingS != 0.3 {
		t.Errorf("settings %+v", set)
	}
	s.Channel = trace.Voltage
	set = trace.Settings{}
	if s.Apply(&set); set.FullScaleA != 0 {
		t.Errorf("a voltmeter's full scale %g became the current's", set.FullScaleA)
	}
}
