package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// A pseudo-terminal is a serial port to the library and has no lines: serve says so and does not start.
func TestServeRefusesAContact(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	link := filepath.Join(t.TempDir(), "contact")
	if err := os.Symlink(slave.Name(), link); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"on a port without lines":               {[]string{"--contact", link}, "no modem lines"},
		"on the measuring port, through a link": {[]string{"--instrument", "board=text:" + slave.Name(), "--contact", link}, "is the port of instrument board"},
		"on a port that is not there":           {[]string{"--contact", "/dev/ttyNONE7"}, "no such port"},
		"with an option that does not exist":    {[]string{"--contact", link + "?baud=9600"}, "no option"},
		"on a file":                             {[]string{"--contact", "contact_test.go"}, "is a file"},
	} {
		t.Run(name, func(t *testing.T) {
			p := launch(t, append([]string{"serve", "--addr", "127.0.0.1:0", "--db", tempDB(t)}, c.args...)...)
			status := <-p.status
			p.status <- status
			if said := p.stderr.String(); status != exitFailed || !strings.Contains(said, c.says) {
				t.Errorf("exit status %d, standard error %q; want 1 saying %q", status, said, c.says)
			}
		})
	}
}
