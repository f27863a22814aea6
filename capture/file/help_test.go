package file_test

import (
	"os"
	"regexp"
	"testing"

	"letthrough/capture/file"
)

// The examples on the help page are read as the page says.
func TestHelpPageTellsTheTruth(t *testing.T) {
	text, err := os.ReadFile("../../static/help/files.md")
	if err != nil {
		t.Fatal(err)
	}
	examples := regexp.MustCompile("(?s)```csv\n(.*?)```").FindAllStringSubmatch(string(text), -1)
	want := []string{
		"0 0.002; 1000000 4.497; 2000000 +Inf f1; 5000000 4.31 f2",
		"500000 0.2503; 1500000 +Inf f1",
	}
	if len(examples) != len(want) {
		t.Fatalf("the page has %d examples, want %d", len(examples), len(want))
	}
	for i, e := range examples {
		got, err := read(e[1], file.CSVOptions{})
		if err != nil || pairs(got.Current) != want[i] {
			t.Errorf("example %d reads as %s, %v; want %s", i+1, pairs(got.Current), err, want[i])
		}
	}
	_, err = read("time_s,current_a\n0,1\n1,abc\n", file.CSVOptions{})
	if err == nil || !regexp.MustCompile("(?m)^    "+regexp.QuoteMeta(err.Error())+"$").Match(text) {
		t.Errorf("the page does not show the message %q", err)
	}
}
