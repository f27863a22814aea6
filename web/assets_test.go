package web

import (
	"bytes"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"testing"
)

// Scripts lose nothing but comments on their way: a compiler makes the same of both.
func TestScriptsLoseOnlyComments(t *testing.T) {
	if testing.Short() {
		t.Skip("a compiler runs twice")
	}
	names, err := fs.Glob(testFiles, "scripts/*.js")
	if err != nil || len(names) < 20 {
		t.Fatalf("%d scripts, %v", len(names), err)
	}
	whole, less := t.TempDir(), t.TempDir()
	for _, name := range names {
		b, err := fs.ReadFile(testFiles, name)
		if err != nil {
			t.Fatal(err)
		}
		if len(withoutComments(b)) >= len(b) {
			t.Errorf("%s lost nothing", name)
		}
		for dir, content := range map[string][]byte{whole: b, less: withoutComments(b)} {
			if err := os.WriteFile(filepath.Join(dir, path.Base(name)), content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, dir := range []string{whole, less} {
		files, err := filepath.Glob(filepath.Join(dir, "*.js"))
		if err != nil {
			t.Fatal(err)
		}
		args := append([]string{"tool", "esbuild", "--minify", "--log-level=error", "--outdir=" + filepath.Join(dir, "out")}, files...)
		if out, err := exec.Command("go", args...).CombinedOutput(); err != nil {
			t.Fatalf("esbuild: %v: %s", err, out)
		}
	}
	for _, name := range names {
		a, aerr := os.ReadFile(filepath.Join(whole, "out", path.Base(name)))
		b, berr := os.ReadFile(filepath.Join(less, "out", path.Base(name)))
		if aerr != nil || berr != nil || !bytes.Equal(a, b) {
			t.Errorf("%s is another program without its comments (%v, %v)", name, aerr, berr)
		}
	}
}

func TestLinesThatHoldCodeStay(t *testing.T) {
	const script = "// head\n/** @type {A} */ (b).c = 1;\n/* one line */\n\n/**\n * many\n * lines\n */\nconst url = \"http://x\"; // why\n"
	const want = "/** @type {A} */ (b).c = 1;\nconst url = \"http://x\"; // why\n"
	if got := string(withoutComments([]byte(script))); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
