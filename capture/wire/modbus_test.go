package wire_test

import (
	"encoding/hex"
	"strings"
	"testing"

	"letthrough/capture/wire"
)

func unhex(tb testing.TB, s string) []byte {
	tb.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// Requests against printed ones: the CRC of each is the published one (V1.02 of the serial-line guide for
// low byte first; Applent AT381x manual p. 109 for 30 0C).
func TestModbusRequests(t *testing.T) {
	for _, c := range []struct{ options, want string }{
		{"type=int16", "01 03 00 00 00 01 84 0A"},
		{"", "01 03 00 00 00 02 C4 0B"},
		{"function=4", "01 04 00 00 00 02 71 CB"},
		{"type=uint16&register=12300", "01 03 30 0C 00 01 4B 09"},
		{"type=int16&register=133", "01 03 00 85 00 01 95 E3"},
	} {
		k := mustTalk(t, "modbus", c.options)
		if got := k.ask(0); got != string(unhex(t, c.want)) {
			t.Errorf("%s: asked % X, want %s", c.options, got, c.want)
		}
	}
}

func TestModbusAnswers(t *testing.T) {
	for _, c := range []struct{ name, options, answer, want string }{
		{"Float", "", "01 03 04 41 20 00 00 EF C5", "10 A"},
		{"PrintedWord", "type=uint16&register=12300", "01 03 02 00 01 79 84", "1 A"}, // AT381x p. 109
		{"WordsSwapped", "order=cdab", "01 03 04 00 00 41 20", "10 A"},
		{"BytesSwapped", "order=badc", "01 03 04 20 41 00 00", "10 A"},
		{"Reversed", "order=dcba", "01 03 04 00 00 20 41", "10 A"},
		{"Int16", "type=int16&scale=0.001", "01 03 02 FB 2E", "-1.234 A"},
		{"Int16BytesSwapped", "type=int16&scale=0.001&order=badc", "01 03 02 2E FB", "-1.234 A"},
		{"Int16MilliUnit", "type=int16&unit=mA", "01 03 02 04 D2", "1.234 A"},
		{"Int32", "type=int32&scale=0.000001", "01 03 04 FF ED 2B 60", "-1.2340799999999998 A"},
		{"Uint32", "type=uint32&scale=0.000001", "01 03 04 00 12 D4 A0", "1.2340799999999998 A"},
		{"TwoChannelsAtOnce", "voltage=2", "01 03 08 41 20 00 00 41 44 00 00", "10 A, 12.25 V"},
		{"StrayByteBefore", "", "00 01 03 04 41 20 00 00 EF C5", "10 A"},
		{"Infinity", "", "01 03 04 7F 80 00 00", "over +"},
		{"NotANumber", "", "01 03 04 7F C0 00 00", "garbled: the instrument says that it has no number"},
		{"Absurd", "", "01 03 04 60 00 00 00", "garbled: an absurd number"},
		{"EndOfInt16", "type=int16", "01 03 02 7F FF", "32767 A over"},
		{"WrongCRC", "", "01 03 04 41 20 00 00 EF C6", "garbled: the CRC is wrong"},
		// The must-reject vectors: printed with a wrong CRC in the AT381x manual, p. 109.
		{"MisprintedEcho", "type=int16", "01 10 30 0C 00 01 02 00 01 FA C8", "nothing"},
		{"MisprintedAnswer", "type=uint16", "01 03 30 0D 00 01 79 84", "nothing"},
		{"Exception", "", "01 83 02 C0 F1", "garbled: the instrument answers with exception 2, illegal data address: asked with function 3 for 2 registers from 0"},
		{"ExceptionWrongCRC", "", "01 83 02 C0 F0", "nothing"},
		{"OtherAddress", "", "02 03 04 41 20 00 00 DC 05", "nothing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := mustTalk(t, "modbus", c.options)
			k.ask(0)
			b := unhex(t, c.answer)
			if n := int(b[2]); len(b) == 3+n { // the CRC left out: by an independent computation
				b = appendCRC(b)
			}
			rs := k.d.Decode(nil, b)
			got := say(k.d, rs)
			if n := k.d.Counts(); n.Garbled > 0 {
				got = "garbled: " + n.LastReason
			} else if got == "" {
				got = "nothing"
			}
			if want := c.want; got != want {
				t.Errorf("%s: %q, want %q", c.answer, got, want)
			}
		})
	}
}

// appendCRC computes the CRC bit by bit from its definition, apart from the decoder's own.
func appendCRC(b []byte) []byte {
	r := uint16(0xFFFF)
	for _, c := range b {
		for bit := range 8 {
			in, out := uint16(c>>bit)&1, r&1
			if r >>= 1; in != out {
				r ^= 0xA001
			}
		}
	}
	return append(b, byte(r), byte(r>>8))
}

func TestModbusConversation(t *testing.T) {
	right := string(unhex(t, "01 03 04 41 20 00 00 EF C5"))
	request := string(unhex(t, "01 03 00 00 00 02 C4 0B"))
	t.Run("LostByteIsNotWaitedForLong", func(t *testing.T) {
		k := mustTalk(t, "modbus", "")
		k.expect(request, right[:6])
		at := k.now
		if rs := k.expect(request, right); len(rs) != 1 || k.now-at > 300*ms || rs[0].Missed != 1 {
			t.Errorf("%+v after %d ms, %+v", rs, (k.now-at)/ms, k.d.Counts())
		}
	})
	t.Run("NoAnswer", func(t *testing.T) {
		k := mustTalk(t, "modbus", "timeout=1")
		k.expect(request, "")
		at := k.now
		if rs := k.expect(request, right); len(rs) != 1 || k.now-at < 900*ms || k.d.Counts().TimedOut != 1 {
			t.Errorf("%+v after %d ms, %+v", rs, (k.now-at)/ms, k.d.Counts())
		}
	})
	t.Run("LateAnswerIsNobodys", func(t *testing.T) {
		k := mustTalk(t, "modbus", "")
		k.expect(request, "")
		k.now += 520 * ms
		k.d.Ask(nil, k.now)
		if rs := k.d.Decode(nil, []byte(right)); len(rs) != 0 {
			t.Errorf("%+v", rs)
		}
	})
	t.Run("RegistersApartAreAskedInTurn", func(t *testing.T) {
		k := mustTalk(t, "modbus", "voltage=100")
		k.expect(request, right)
		second := string(appendCRC([]byte{1, 3, 0, 100, 0, 2}))
		rs := k.expect(second, string(appendCRC([]byte{1, 3, 4, 0x41, 0x44, 0, 0})))
		if len(rs) != 1 || rs[0].Channel != 1 || rs[0].Value != 12.25 {
			t.Errorf("%+v", rs)
		}
	})
	t.Run("ExceptionIsNamedAndForgotten", func(t *testing.T) {
		k := mustTalk(t, "modbus", "")
		k.expect(request, string(unhex(t, "01 83 02 C0 F1")))
		if c := k.d.(wire.Introduced).Complaint(); !strings.Contains(c, "illegal data address") {
			t.Errorf("complaint %q", c)
		}
		k.expect(request, right)
		if c := k.d.(wire.Introduced).Complaint(); c != "" {
			t.Errorf("complaint %q after a good answer", c)
		}
	})
}

func FuzzModbus(f *testing.F) {
	right := []byte("\x01\x03\x04\x41\x20\x00\x00\xEF\xC5")
	f.Add(right, byte(3), byte(0))
	f.Add([]byte("\x01\x83\x02\xC0\xF1"), byte(1), byte(1))
	f.Add([]byte("\x01\x10\x30\x0C\x00\x01\x02\x00\x01\xFA\xC8"), byte(4), byte(2))
	options := []string{"", "type=int16", "voltage=2", "type=uint32&order=cdab&scale=0.001"}
	f.Fuzz(func(t *testing.T, data []byte, size, option byte) {
		checkPolled(t, "modbus", options[int(option)%len(options)], [][]byte{data, right, data, appendCRC([]byte(data[:min(len(data), 9)]))}, int(size), 2)
	})
}
