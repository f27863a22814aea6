package main

import (
	"bufio"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"letthrough/capture/file"

	"github.com/creack/pty"
)

// On a terminal somebody sees how far a long file is read; into a pipe nothing of it goes.
func TestProgressIsShownOnATerminalOnly(t *testing.T) {
	var text strings.Builder
	text.WriteString("time_s,current_a\n")
	for range 300_000 {
		text.WriteString("0,1.5\n")
	}
	path := filepath.Join(t.TempDir(), "long.csv")
	if err := os.WriteFile(path, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	read := func(w *os.File) {
		bar := newProgress(w, path)
		if _, err := file.Read(path, file.Options{Watch: bar.at}); err != nil {
			t.Error(err)
		}
		bar.done()
		w.WriteString("\nend\n")
	}
	master, terminal, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	go func() {
		read(terminal)
		terminal.Close()
	}()
	shown := ""
	for lines := bufio.NewScanner(master); lines.Scan() && !strings.Contains(shown, "end"); {
		shown += lines.Text() + "\n"
	}
	if !strings.Contains(shown, "long.csv [=") || !strings.Contains(shown, "100 %") {
		t.Errorf("on a terminal: %q", shown)
	}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	read(w)
	w.Close()
	piped, err := bufio.NewReader(r).ReadString('d')
	if err != nil || strings.Contains(piped, "%") {
		t.Errorf("into a pipe: %q, %v", piped, err)
	}
}
