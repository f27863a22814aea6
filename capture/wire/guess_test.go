package wire_test

import (
	"fmt"
	"strings"
	"testing"

	"letthrough/capture/wire"
)

// hear is a line every 20 ms; the verbs take the number of the line.
func hear(line func(i int) string) (heard []wire.Heard) {
	for i := range 60 {
		heard = append(heard, wire.Heard{Data: []byte(line(i) + "\r\n"), AtNS: int64(i)*20e6 + 1})
	}
	return heard
}

func TestGuessOfLines(t *testing.T) {
	for name, c := range map[string]struct {
		line                     func(i int) string
		options, reason, missing string // options "-": nothing is guessed
	}{
		"Thousands":        {func(i int) string { return fmt.Sprintf("1,%03d.5 mA", i) }, "-", "a comma stands between the thousands", ""},
		"ThousandsAlone":   {func(i int) string { return fmt.Sprintf("1,%03d.5", i) }, "-", "a comma stands between the thousands", ""},
		"NegativeThousand": {func(i int) string { return fmt.Sprintf("-12,%03d.5 mA", i) }, "-", "a comma stands between the thousands", ""},
		"CommaOfColumns":   {func(i int) string { return fmt.Sprintf("%d,0.5%02d A", i%8, i) }, "current=2", "lines such as", ""},
		"Labels":           {func(i int) string { return fmt.Sprintf("I=0.5%02dA", i) }, "", "lines such as I=0.5", ""},
		"LabelsOfBoth":     {func(i int) string { return fmt.Sprintf("U: 12.1 V, I: 0.5%02d A", i) }, "voltage=1&current=2", "lines such as U: ", ""},
		"JSON":             {func(i int) string { return fmt.Sprintf(`{"i":0.5%02d}`, i) }, "", `lines such as {"i":0.5`, ""},
		"JSONWithTime":     {func(i int) string { return fmt.Sprintf(`{"t":%d,"i":0.5%02d,"u":12.1}`, 5000+20*i, i) }, "time=ms", "column 1 counts milliseconds", "voltage=3"},
		"Words":            {func(i int) string { return "ready to go on" }, "-", "no lines of numbers", ""},
	} {
		t.Run(name, func(t *testing.T) {
			g, ok := wire.GuessFormat(hear(c.line))
			if !ok {
				g.Options = "-"
			}
			if g.Options != c.options || !strings.Contains(g.Reason, c.reason) || !strings.Contains(g.Missing, c.missing) || c.missing == "" && g.Missing != "" {
				t.Errorf("%+v, want %q, %q, %q", g, c.options, c.reason, c.missing)
			}
		})
	}
}
