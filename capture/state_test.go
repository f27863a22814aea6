package capture

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

func TestInstrumentStateInWords(t *testing.T) {
	for _, c := range []struct {
		state InstrumentState
		want  string
	}{
		{InstrumentState{State: Receiving, RateHz: 1000}, "receiving 1000 readings a second"},
		{InstrumentState{State: Receiving, RateHz: 10_017}, "receiving 10000 readings a second"},
		{InstrumentState{State: Receiving, RateHz: 2.997}, "receiving 3 readings a second"},
		{InstrumentState{State: Receiving, RateHz: 0.5}, "receiving 0.5 readings a second"},
		{InstrumentState{State: Garbled, LastGarbled: `\xff\xfe`}, `receiving what cannot be read: \xff\xfe`},
		{InstrumentState{State: Unplugged}, "unplugged"},
		{InstrumentState{}, "not heard from yet"},
	} {
		if got := c.state.say(0); got != c.want {
			t.Errorf("%+v is said as %q, want %q", c.state, got, c.want)
		}
	}
}

func TestTheBaudRateIsNotBlamedForReadableText(t *testing.T) {
	for _, c := range []struct {
		shown string
		right bool
	}{
		{`I=0.51A "U=12.1V"`, true}, {`1,000.5 mA`, true}, {`a\tb\\xff`, true}, {`512 \u00b5A`, true},
		{`\xff\xfe`, false}, {`0.5\x00`, false}, {`a\u00b5\x80`, false}, {``, false},
	} {
		do := InstrumentState{State: Garbled, LastGarbled: c.shown}.whatToDo()
		if right := strings.Contains(do, "the baud rate is right"); right != c.right || !right && !strings.Contains(do, "baud rate first") {
			t.Errorf("%s: %q", c.shown, do)
		}
	}
}

func TestReadingWithoutANumberIsNullAndFlagged(t *testing.T) {
	for _, c := range []struct {
		reading LatestJSON
		want    string
	}{
		{LatestJSON{Value: 1.5, Samples: 3}, `{"quantity":"current","value":1.5,"flags":[],"samples":3}`},
		{LatestJSON{Value: 16, Flags: trace.Over}, `{"quantity":"current","value":null,"flags":["over"],"samples":0}`},
		{LatestJSON{Value: math.Inf(-1), Flags: trace.Over | trace.Gap}, `{"quantity":"current","value":null,"flags":["over","gap"],"samples":0}`},
		{LatestJSON{Quantity: trace.Voltage, Value: math.NaN()}, `{"quantity":"voltage","value":null,"flags":[],"samples":0}`},
	} {
		got, err := json.Marshal(c.reading)
		if err != nil || string(got) != c.want {
			t.Errorf("%+v: %s, %v; want %s", c.reading, got, err, c.want)
		}
	}
}
