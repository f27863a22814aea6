package wire

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
)

// Question is something that can be asked of an unknown instrument without changing anything in it: who it is
// (IEEE 488.2, *IDN?), or a Modbus request to read, which both leave it as it was. To what is no such
// instrument the bytes are a line of noise, and what that does nobody knows: so a question is only for a
// port of which a person says that an instrument hangs on it.
type Question struct {
	What  string // in words
	Bytes []byte
	Bauds []int
	Lines []string // framings, as in 8N1
	WaitS float64  // for the answer
	// Answer reads what came back so far; ok is false while it is no answer.
	Answer func(b []byte) (g Guess, ok bool)
}

// Questions lists what is asked, in the order of asking.
func Questions() []Question {
	out := []Question{{
		What: "*IDN? (who are you, IEEE 488.2)", Bytes: []byte("*IDN?\r\n"),
		Bauds: []int{9600, 115200, 19200, 57600, 38400, 4800, 2400}, Lines: []string{"8N1"}, WaitS: 0.7,
		Answer: answersIDN,
	}}
	for _, function := range []byte{3, 4} {
		f := []byte{1, function, 0, 0, 0, 2}
		f = binary.LittleEndian.AppendUint16(f, crc16(f))
		out = append(out, Question{
			What:  fmt.Sprintf("Modbus: read two registers from 0 of address 1, function %d", function),
			Bytes: f, Bauds: []int{9600, 19200, 115200}, Lines: []string{"8N1", "8E1"}, WaitS: 0.3,
			Answer: func(b []byte) (Guess, bool) { return answersModbus(b, function) },
		})
	}
	return out
}

func answersIDN(b []byte) (Guess, bool) {
	for line := range bytes.SplitSeq(b[:bytes.LastIndexAny(b, "\r\n")+1], []byte("\n")) {
		line = bytes.TrimSpace(line)
		if len(line) < 4 || bytes.Contains(line, []byte("*IDN?")) || !command(string(line)) {
			continue
		}
		return Guess{
			Format: "scpi", Options: "query=" + defaultQuery, Reason: "it answers *IDN? with " + Printable(line),
			Missing: "the query that gives its reading, from its manual, if it is another one",
		}, true
	}
	return Guess{}, false
}

func answersModbus(b []byte, function byte) (Guess, bool) {
	for at := range b {
		f := b[at:]
		g := Guess{Format: "modbus", Options: fmt.Sprintf("address=1&function=%d&register=REGISTER", function)}
		switch {
		case len(f) >= 5 && f[0] == 1 && f[1] == function|0x80 && crcRight(f[:5]):
			g.Reason = "it answers Modbus at address 1 with an exception: " + exceptions[f[2]]
		case len(f) >= 9 && f[0] == 1 && f[1] == function && f[2] == 4 && crcRight(f[:9]):
			g.Reason = "it answers Modbus at address 1: registers 0 and 1 hold " + strings.ToUpper(fmt.Sprintf("%04x %04x", f[3:5], f[5:7]))
		default:
			continue
		}
		g.Missing = "which register holds the current, its type, order and scale, from its manual"
		return g, true
	}
	return Guess{}, false
}
