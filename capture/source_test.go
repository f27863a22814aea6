package capture_test

import (
	"testing"

	"letthrough/capture"
	"letthrough/capture/port"
	"letthrough/capture/wire"
)

func TestPortIsOpenedAsTheInstrumentSays(t *testing.T) {
	off := false
	for spec, want := range map[string]port.Spec{
		"m=text:/dev/x":                            {Path: "/dev/x"},
		"m=modbus:/dev/x?baud=19200&line=8E1":      {Path: "/dev/x", Baud: 19200, DataBits: 8, Parity: port.EvenParity, StopBits: 1},
		"m=text:/dev/x?baud=2400&line=7o2&rts=off": {Path: "/dev/x", Baud: 2400, DataBits: 7, Parity: port.OddParity, StopBits: 2, RTS: &off},
	} {
		s, err := wire.ParseSpec(spec)
		if err != nil {
			t.Fatal(err)
		}
		got := capture.PortSpec(s)
		if (got.RTS == nil) != (want.RTS == nil) || got.RTS != nil && *got.RTS != *want.RTS {
			t.Errorf("%s: RTS %v", spec, got.RTS)
		}
		got.RTS, want.RTS = nil, nil
		if got != want {
			t.Errorf("%s opens %+v, want %+v", spec, got, want)
		}
	}
}
