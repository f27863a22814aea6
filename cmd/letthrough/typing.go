package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

// takeBackLine is the line that takes the last reading back: the key for it lies beside the digits.
const takeBackLine = "/"

// typeReadings hands the lines of standard input on as readings of an instrument that a person types for,
// until there are no more. That is no error: readings can still be typed on the page.
func typeReadings(env *surroundings, bench *capture.Bench, spec wire.Spec) {
	fmt.Fprintf(env.stderr, "type what the display of %s shows, a number and Enter; Enter alone: the same once more; * beyond the range; %s takes the last one back\n", spec.Name, takeBackLine)
	lines := bufio.NewReaderSize(env.stdin, 4096)
	for {
		line, more, err := lines.ReadLine()
		if err != nil {
			if err != io.EOF {
				env.log.Warn("no more readings from standard input", "err", err)
			}
			return
		}
		text := string(line) // a line that is cut here is too long for a reading anyway
		for more && err == nil {
			_, more, err = lines.ReadLine()
		}
		fmt.Fprintf(env.stderr, "%s: %s\n", spec.Name, typeLine(bench, spec, text))
	}
}

// typeLine does what one line asks for and says what came of it.
func typeLine(bench *capture.Bench, spec wire.Spec, text string) string {
	var t capture.Typed
	var err error
	done := ""
	if text == takeBackLine {
		t, err = bench.TakeBack(spec.Name)
		done = " taken back"
	} else {
		t, err = bench.TypeReading(spec.Name, text, 0)
	}
	if err != nil {
		return oneLine(err.Error())
	}
	if math.IsInf(t.Value, 0) {
		return "beyond the range" + done
	}
	out := strconv.FormatFloat(t.Value, 'f', -1, 64) + " " + spec.Channel.Unit()
	if t.Flags&trace.Over != 0 {
		out += ", beyond the range"
	}
	return out + done
}
