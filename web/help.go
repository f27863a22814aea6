package web

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
)

// helpPages are the Markdown files under help/, made into HTML once. They are ours and embedded, but
// raw HTML in them is left out all the same: the pages hold to the content security policy.
type helpPages struct {
	pages map[string]helpPage
	names []string // in order of title
}

type helpPage struct {
	title string
	body  template.HTML
}

func loadHelp(files fs.FS) (*helpPages, error) {
	names, err := fs.Glob(files, "help/*.md")
	if err != nil {
		return nil, fmt.Errorf("read help: %w", err)
	}
	md := goldmark.New(goldmark.WithExtensions(extension.Table), goldmark.WithParserOptions(parser.WithAutoHeadingID()))
	h := &helpPages{pages: map[string]helpPage{}}
	for _, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("read help: %w", err)
		}
		var body bytes.Buffer
		if err := md.Convert(text, &body); err != nil {
			return nil, fmt.Errorf("read help %s: %w", name, err)
		}
		key := strings.TrimSuffix(path.Base(name), ".md")
		h.pages[key] = helpPage{titleOf(text, key), template.HTML(linkPages(body.String()))}
		h.names = append(h.names, key)
	}
	slices.SortFunc(h.names, func(a, b string) int { return strings.Compare(h.pages[a].title, h.pages[b].title) })
	return h, nil
}

// titleOf takes the first heading.
func titleOf(text []byte, key string) string {
	for line := range strings.Lines(string(text)) {
		if t, ok := strings.CutPrefix(line, "# "); ok {
			return strings.TrimSpace(t)
		}
	}
	return key
}

// linkPages makes links between the files, which work in the repository, work on the pages too.
func linkPages(html string) string {
	// What may scroll sideways has to be reached by the keyboard too.
	return strings.NewReplacer(`.md"`, `"`, `.md#`, `#`, `<pre>`, `<pre tabindex="0">`, `<table>`, `<table tabindex="0">`).Replace(html)
}

// getHelp serves /help/{name}, and the list of all at /help/.
func (s *Server) getHelp(w http.ResponseWriter, r *http.Request) {
	page, ok := s.help.pages[r.PathValue("name")]
	if !ok {
		s.writeErr(w, r, notFound("there is no help page %q", clip(r.PathValue("name"))))
		return
	}
	s.writeHelp(w, r, page.title, page.body)
}

func (s *Server) getHelpList(w http.ResponseWriter, r *http.Request) {
	var b strings.Builder
	b.WriteString("<h1>Help</h1>\n<ul>\n")
	for _, name := range s.help.names {
		fmt.Fprintf(&b, "<li><a href=\"/help/%s\">%s</a></li>\n", template.HTMLEscapeString(name), template.HTMLEscapeString(s.help.pages[name].title))
	}
	b.WriteString("</ul>\n")
	s.writeHelp(w, r, "Help", template.HTML(b.String()))
}
