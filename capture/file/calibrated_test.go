package file_test

import (
	"bytes"
	"strings"
	"testing"

	"letthrough/capture/file"
	"letthrough/capture/trace"
)

// Files without room for the settings hold corrected readings, files with them hold what was shown: from those
// the figures are derived again.
func TestExportsAreCorrectedWhereTheyHoldNoSettings(t *testing.T) {
	rec := wholeRun()
	rec.Channels = rec.Channels[:1]
	rec.Batches = func(yield func(trace.Batch, error) bool) {
		yield(trace.Batch{Channel: rec.Channels[0], Samples: []trace.Sample{{AtNS: 0, Value: 1}, {AtNS: 1e9, Value: 2}}}, nil)
	}
	rec.End.Settings.Calibration = trace.Calibration{Offset: 0.5, Gain: 10}
	text := func(name string, rec trace.Recording) string {
		t.Helper()
		f, err := file.FindExportFormat(name)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := f.Write(&b, rec, file.ExportOptions{Run: 3, Data: "ASCII"}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for name, want := range map[string]string{"csv": "1,20.5", "vtt": "20.5", "srt": "20.5"} {
		if got := text(name, rec); !strings.Contains(got, want) {
			t.Errorf("%s: no %q in %q", name, want, got)
		}
	}
	plain := rec
	plain.End.Settings.Calibration = trace.Calibration{}
	for _, name := range []string{"cff", "parquet", "comtrade"} {
		if text(name, rec) == text(name, plain) {
			t.Errorf("%s is the same with and without the calibration", name)
		}
	}
	if got := text("json", rec); strings.Contains(got, "20.5") || !strings.Contains(got, `"calibration"`) {
		t.Errorf("json: %q, want the samples as shown and the calibration", got)
	}
}
