package wire_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/trace"
	"letthrough/capture/wire"
)

func helpPage(t *testing.T) string {
	t.Helper()
	var all string
	for _, name := range []string{"instruments.md", "boards.md", "frames.md"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "static", "help", name))
		if err != nil {
			t.Fatal(err)
		}
		all += string(b) + "\n"
	}
	return all
}

// Every line that the help page promises to understand is read as the page says.
func TestHelpPageTellsTheTruthAboutLines(t *testing.T) {
	_, table, ok := strings.Cut(helpPage(t), "| a line | with | is read as |\n| --- | --- | --- |\n")
	if !ok {
		t.Fatal("the table of lines is gone")
	}
	rows := 0
	for row := range strings.SplitSeq(table, "\n") {
		if !strings.HasPrefix(row, "|") {
			break
		}
		cells := strings.Split(strings.Trim(row, "|"), "|")
		if len(cells) != 3 {
			t.Fatalf("row %q has %d cells", row, len(cells))
		}
		line, options, want := strings.Trim(cells[0], " `"), strings.Trim(cells[1], " `"), strings.TrimSpace(cells[2])
		d := mustDecoder(t, options)
		rs := d.Decode(nil, []byte("x\n"+line+"\n"+line+"\n"))
		var got []string
		for _, r := range rs {
			q := d.Channels()[r.Channel]
			s := fmt.Sprintf("%v %s", r.Value, q.Unit())
			if r.Flags&trace.Over != 0 && math.IsInf(r.Value, 0) {
				s = "over range"
			}
			got = append(got, s)
		}
		if strings.Join(got, ", ") != want {
			t.Errorf("%s with %q: read as %q, the page says %q (%+v)", line, options, strings.Join(got, ", "), want, d.Counts())
		}
		rows++
	}
	if rows < 15 {
		t.Errorf("only %d rows were read", rows)
	}
}

// Every option stands on the help page with every word that it allows.
func TestHelpPageNamesEveryOption(t *testing.T) {
	page := helpPage(t)
	for _, f := range wire.Formats() {
		for _, o := range append(wire.CommonOptions(), f.Options...) {
			_, row, ok := strings.Cut(page, "\n| `"+o.Name+"` |")
			if !ok {
				t.Errorf("format %s: option %s is not on the help page", f.Name, o.Name)
				continue
			}
			row, _, _ = strings.Cut(row, "\n")
			if !strings.Contains(o.Allowed, ",") || strings.Contains(o.Allowed, "such as") || strings.Contains(o.Allowed, "above") {
				continue
			}
			for word := range strings.SplitSeq(o.Allowed, ", ") {
				if !strings.Contains(row, "`"+word+"`") {
					t.Errorf("format %s: option %s allows %s, the help page does not say so", f.Name, o.Name, word)
				}
			}
		}
	}
}
