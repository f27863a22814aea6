package trace_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"letthrough/capture/trace"
)

const figuresPage = "../../static/help/figures.md"

// section is what the page of figures says about one definition, word for word.
func section(d trace.Definition) string {
	unit := d.Unit
	if unit == "" {
		unit = "a pure number"
	}
	in := make([]string, len(d.In))
	for i, p := range d.In {
		in[i] = string(p)
	}
	return fmt.Sprintf("### `%s`\n\n**%s** (%s; %s)\n\n- How: %s.\n- Bounds: %s.\n- Source: %s.\n", d.Key, d.Say, unit, strings.Join(in, ", "), d.Formula, d.Bounds, d.Source)
}

// The page of figures says what the definitions say. LETTHROUGH_WRITE=1 writes it anew below its
// heading "The figures".
func TestFiguresPageSaysWhatTheDefinitionsSay(t *testing.T) {
	b, err := os.ReadFile(figuresPage)
	if err != nil {
		t.Fatal(err)
	}
	page := string(b)
	if os.Getenv("LETTHROUGH_WRITE") != "" {
		head, _, found := strings.Cut(page, "\n## The figures\n")
		if !found {
			t.Fatalf("%s: no heading \"The figures\"", figuresPage)
		}
		page = head + "\n## The figures\n"
		for _, d := range trace.Definitions {
			page += "\n" + section(d)
		}
		if err := os.WriteFile(figuresPage, []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	at := 0
	for _, d := range trace.Definitions {
		i := strings.Index(page, section(d))
		if i < 0 {
			t.Errorf("%s is not on the page as defined", d.Key)
			continue
		}
		if i < at {
			t.Errorf("%s is out of order", d.Key)
		}
		at = i
		if d.Formula == "" || d.Bounds == "" || d.Source == "" || d.Say == "" {
			t.Errorf("%s lacks formula, bounds, source or words", d.Key)
		}
	}
	for _, m := range regexp.MustCompile("(?m)^### `([a-z0-9_]+)`").FindAllStringSubmatch(page, -1) {
		if _, ok := trace.DefinitionOf(m[1]); !ok {
			t.Errorf("the page has %s, which is no figure", m[1])
		}
	}
}
