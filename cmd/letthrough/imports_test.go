package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// mayImport is the direction in which imports point: a package may import those of ours that stand
// behind it and no others. Tests may import more (a detector is tested on simulated units).
var mayImport = map[string][]string{
	"capture/trace":     {},
	"capture/port":      {"capture/trace"},
	"capture/clock":     {"capture/trace"},
	"capture/wire":      {"capture/trace", "capture/clock"},
	"capture/trip":      {"capture/trace"},
	"capture/words":     {"capture/trace"},
	"capture/heat":      {"capture/trace"},
	"capture/rig":       {"capture/trace", "capture/heat"},
	"capture/assess":    {"capture/trace", "capture/heat", "capture/words"}, // its reasons quote figures as words says them
	"capture/calibrate": {"capture/trace"},
	"capture/compare":   {"capture/trace", "capture/words"},
	"capture/contact":   {"capture/trace"},
	"capture/judge":     {"capture/trace", "capture/trip", "capture/words", "capture/sim"},
	"capture/file":      {"capture/trace"},
	"capture/sim":       {"capture/trace"},
	// The Bench wires one capture. It does not know the store: it declares the recorder it needs.
	"capture": {"capture/trace", "capture/contact", "capture/port", "capture/wire", "capture/clock", "capture/trip", "capture/words", "capture/rig"},
	"store":   {"capture/trace"},
	"static":  {},
	"web": {"static", "store", "capture", "capture/trace", "capture/contact", "capture/words", "capture/trip", "capture/file",
		"capture/rig", "capture/assess", "capture/wire", "capture/calibrate", "capture/judge", "capture/compare"},
	"cmd/letthrough": nil, // knows all
}

// pure packages know no port, no database, no page, no clock and no file.
var pure = []string{"capture/trace", "capture/compare", "capture/calibrate", "capture/trip", "capture/words", "capture/heat", "capture/rig", "capture/assess"}

var impure = []string{"os", "net", "net/http", "database/sql", "time", "io/fs", "go.bug.st/serial", "sync"}

func TestImportsPointOneWay(t *testing.T) {
	root := filepath.Join("..", "..")
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); name == "node_modules" || name == "testdata" || (strings.HasPrefix(name, ".") && len(name) > 2) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		checkFile(t, path, filepath.ToSlash(rel), seen)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, must := range []string{"capture", "capture/trip", "store", "web", "cmd/letthrough"} {
		if !seen[must] {
			t.Errorf("no file of package %s was read: the test looks in the wrong place", must)
		}
	}
}

func checkFile(t *testing.T, path, pkg string, seen map[string]bool) {
	seen[pkg] = true
	f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
	if err != nil {
		t.Errorf("%s: %v", path, err)
		return
	}
	owner, allowed := ownerOf(pkg)
	if !allowed {
		t.Errorf("%s: package %s is not in the layout; add it to mayImport with what it may import", path, pkg)
		return
	}
	for _, spec := range f.Imports {
		imp, _ := strconv.Unquote(spec.Path.Value)
		if imp == "time" && owner == "capture/trace" {
			continue // a time of day as a value in a run's description, never a clock
		}
		if slices.Contains(pure, owner) && slices.Contains(impure, imp) {
			t.Errorf("%s imports %s, but %s is pure", path, imp, owner)
		}
		ours, ok := strings.CutPrefix(imp, "letthrough/")
		if !ok || ours == owner || strings.HasPrefix(ours, owner+"/") && owner != "capture" || mayImport[owner] == nil {
			continue
		}
		if to, _ := ownerOf(ours); !slices.Contains(mayImport[owner], to) {
			t.Errorf("%s imports %s, which package %s may not", path, imp, owner)
		}
	}
}

// ownerOf finds the package of the layout that a directory belongs to: itself or the one above it.
func ownerOf(pkg string) (string, bool) {
	for p := pkg; p != "."; p = filepath.ToSlash(filepath.Dir(p)) {
		if _, ok := mayImport[p]; ok && (p == pkg || p != "capture") {
			return p, true
		}
	}
	return pkg, false
}
