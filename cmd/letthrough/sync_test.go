package main

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// videoSound is the sound of a video as a 16-bit WAV file: noise, and the Bench's rising chirp at these times.
// Its formula is written out here once more, apart from the finder's.
func videoSound(t *testing.T, lengthS float64, at ...float64) string {
	t.Helper()
	const rate, from, to, long = 44100, 1500.0, 3500.0, 0.25
	rnd := rand.New(rand.NewPCG(1, 2))
	sound := make([]float64, int(lengthS*rate))
	for i := range sound {
		sound[i] = 0.05 * rnd.NormFloat64()
	}
	for _, a := range at {
		for i := range int(long * rate) {
			s := float64(i) / rate
			sound[int(a*rate)+i] += 0.1 * math.Sin(2*math.Pi*(from*s+(to-from)*s*s/(2*long))) * min(1, s/0.01, (long-s)/0.01)
		}
	}
	var b bytes.Buffer
	b.WriteString("RIFF")
	for _, v := range []any{uint32(36 + 2*len(sound)), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(1), uint32(rate), uint32(2 * rate), uint16(2), uint16(16), []byte("data"), uint32(2 * len(sound))} {
		_ = binary.Write(&b, binary.LittleEndian, v)
	}
	for _, v := range sound {
		_ = binary.Write(&b, binary.LittleEndian, int16(math.Round(32767*max(-1, min(1, v)))))
	}
	path := filepath.Join(t.TempDir(), "sound.wav")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// command runs one command line to its end.
func command(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	cmd := exec.Command("letthrough", args...) // testscript put itself into the path under this name
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	_ = cmd.Run()
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func TestCaptionsAreSyncedByTheChirp(t *testing.T) {
	db := filepath.Join(t.TempDir(), "a.db")
	if out, errs, status := command(t, "runs", "import", "--db", db, bundled(t, "Slate")); status != 0 {
		t.Fatalf("import: %s%s", out, errs)
	}
	// Onset 2 s after the run's first sample; the chirp 0.25 s later, 7.4 s into the video.
	out, errs, status := command(t, "runs", "export", "--db", db, "--format", "vtt", "--sync", videoSound(t, 12, 7.4), "1")
	if status != 0 {
		t.Fatalf("export: %s", errs)
	}
	if !strings.Contains(errs, "the onset is 7.15") {
		t.Errorf("it said %q, want the onset at 7.15 s", errs)
	}
	fault := regexp.MustCompile(`(\d\d:\d\d:\d\d\.\d\d\d) --> \S+\n[^\n]+\nfault`).FindStringSubmatch(out)
	if fault == nil || fault[1] < "00:00:07.145" || fault[1] > "00:00:07.155" {
		t.Errorf("the fault's caption begins at %v, want 00:00:07.150\n%.400s", fault, out)
	}
	for what, tc := range map[string]struct {
		sound string
		want  string
	}{
		"no chirp":   {videoSound(t, 5), "no onset chirp was found"},
		"two chirps": {videoSound(t, 12, 3, 8), "2 onset chirps are in this sound, at 3.00 s, 8.00 s"},
	} {
		target := filepath.Join(t.TempDir(), "out.vtt")
		if _, errs, status := command(t, "runs", "export", "--db", db, "--format", "srt", "--sync", tc.sound, "-o", target, "1"); status != 1 || !strings.Contains(errs, tc.want) || !strings.Contains(errs, "--offset") {
			t.Errorf("%s: status %d, %q", what, status, errs)
		}
		if _, err := os.Stat(target); err == nil {
			t.Errorf("%s: captions were written all the same", what)
		}
	}
	for _, bad := range [][]string{{"--format", "csv"}, {"--format", "vtt", "--offset", "2s"}} {
		args := append([]string{"runs", "export", "--db", db, "--sync", "x.wav"}, append(bad, "1")...)
		if _, _, status := command(t, args...); status != 2 {
			t.Errorf("%v: status %d, want 2", args, status)
		}
	}
}
